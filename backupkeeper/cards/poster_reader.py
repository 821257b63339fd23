"""The process that makes one poster: ``python -P -m backupkeeper.cards.poster_reader``.

It is handed a clip's bytes as it asks for them (``cards.apart``), decodes one picture of it and answers
with the poster (``core.posters.encode_poster``). Unlike ``cards.clip_reader`` it decodes, so it is held
more tightly.

Promises:
1. As ``cards.clip_reader``: only questions and one answer are written; it ends with its parent.
2. It takes no more than ``MEMORY_BYTES``, computes no longer than ``MOST_CPU_S``, writes no file, and
   once it has begun with the clip it opens no file and no connection: it has no number left for one.
   All of that where the system can hold it to that.
"""

import sys
from contextlib import suppress
from importlib import import_module
from pkgutil import walk_packages
from typing import BinaryIO, Final

from backupkeeper.cards.clip_reader import (
    MEMORY_BYTES,
    OpenClip,
    Order,
    answer,
    hold_to,
    mouth_alone,
)
from backupkeeper.cards.picturing import poster_in
from backupkeeper.core.posters import encode_poster

MOST_CPU_S: Final = 10
"""``cards.picturing`` stops by itself long before."""


def main(hears: BinaryIO, says: BinaryIO) -> None:
    """Make the poster of one clip."""
    answer(hears, says, _poster)


def _poster(order: Order, open_clip: OpenClip) -> bytes:
    return encode_poster(poster_in(open_clip, order["kind"], order["content"]))


def begin(*, cpu_s: int = MOST_CPU_S) -> BinaryIO:
    """Load what is needed, then let go of everything that is not; returns where to answer."""
    import av  # noqa: PLC0415 - an optional extra, and slow to load

    mouth = mouth_alone()
    for part in walk_packages(av.__path__, "av.", onerror=lambda _: None):
        with suppress(Exception):  # a part that wants something else that is not here
            import_module(part.name)
    hold_to(MEMORY_BYTES, RLIMIT_CPU=cpu_s, RLIMIT_FSIZE=0, RLIMIT_NOFILE=mouth.fileno() + 1)
    return mouth


if __name__ == "__main__":
    main(sys.stdin.buffer, begin())
