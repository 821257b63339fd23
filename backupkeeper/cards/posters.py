"""One poster of one clip, made in a process of its own.

Promises:
1. A hostile clip never hangs or ends the caller, nor fills the machine: see ``cards.apart`` and
   ``cards.poster_reader``. Whatever goes wrong there is a poster without a picture.
2. A clip that a drive would not give makes no poster: that is not the clip's doing.
3. Nothing is written; no more than ``MOST_BYTES`` of the clip are read.
"""

import json
import sys
from collections.abc import Callable, Sequence
from typing import BinaryIO, Final

from backupkeeper.cards.apart import Limits, Shelf, ask_apart
from backupkeeper.cards.picturing import kind_of
from backupkeeper.core.posters import ENDED, Poster, decode_poster

READER: Final = (sys.executable, "-P", "-m", "backupkeeper.cards.poster_reader")
MOST_BYTES: Final = 256 << 20
"""So much of a clip is read for its poster at most."""
LIMITS: Final = Limits(silence_s=15.0, thought_s=30.0, most_bytes=MOST_BYTES, most_answer=1 << 17)
"""A busy machine computes slowly: the reader's own stopwatch, of computing, is the shorter one."""


def is_pictured(name: str) -> bool:
    """Whether a file is one that gets a poster, by its name: a clip, or sound."""
    return kind_of(name) is not None


def make_poster(
    open_clip: Callable[[], BinaryIO],
    name: str,
    content: str,
    *,
    reader: Sequence[str] = READER,
    limits: Limits = LIMITS,
) -> tuple[Poster | None, int]:
    """Make the poster of a clip.

    Args:
        open_clip: opens a good copy. What it raises leaves as it is.
        name: of the file: its ending says what kind of clip it is (``is_pictured``).
        content: its BLAKE3.
        reader: command of the process that looks.
        limits: what that may take.

    Returns:
        The poster, and how many bytes were read; no poster where the copy could not be read, or the
        library is not there.

    Raises:
        OSError: no process can be started.
    """
    kind = kind_of(name)
    with open_clip() as clip:
        shelf = Shelf(clip, is_good=True)
        order = json.dumps({"size": shelf.size, "kind": kind, "content": content}).encode()
        told = ask_apart(reader, order + b"\n", shelf, limits)
    if shelf.failed:
        return None, shelf.given
    poster = None if told is None else decode_poster(told, content)
    return poster or Poster(content=content, note=ENDED), shelf.given
