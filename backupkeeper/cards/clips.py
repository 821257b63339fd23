"""Which seconds of a clip lie in hurt bytes.

Promises:
1. A hurt or hostile clip never hangs or ends the caller: it is looked into by a process of its own
   (``cards.apart``), with bounds on memory, on silence and on what it may ask for; whatever
   goes wrong there is a clip that was not understood.
2. Without the library (the extra ``media``), or for a file that is no clip, the answer is None.
3. The whole clip is read once, about; nothing is decoded and nothing is written.
"""

import json
import math
import sys
from collections.abc import Callable, Sequence
from importlib.util import find_spec
from typing import BinaryIO, Final

from backupkeeper.cards.apart import SILENCE_S, Limits, Shelf, ask_apart
from backupkeeper.cards.demuxing import NO_LIBRARY, format_of
from backupkeeper.core.clip_harm import ClipHarm, StreamHarm, not_understood
from backupkeeper.core.ranges import Ranges

READER: Final = (sys.executable, "-P", "-m", "backupkeeper.cards.clip_reader")
ENDED: Final = "it could not be read: the reader was ended by what is in it"
NOT_READ: Final = "it could not be read"


def look_into(
    open_clip: Callable[[], BinaryIO],
    name: str,
    ranges: Ranges,
    *,
    from_good: bool = True,
    reader: Sequence[str] = READER,
    silence_s: float = SILENCE_S,
) -> ClipHarm | None:
    """What hurt bytes of a clip are to a person.

    Args:
        open_clip: opens a good copy of the clip; the hurt one where there is none. What it and its
            file raise leaves as it is.
        name: of the file: its ending says whether it is a clip.
        ranges: the hurt bytes.
        from_good: whether it is a good copy that is opened. False: what is hurt outside of packets
            leaves open what else is, and the harm is not ``sure``.
        reader: command of the process that looks.
        silence_s: how long it may think without asking, in seconds.

    Returns:
        The harm; None where it is no clip, or the library is not installed.
    """
    kind = format_of(name)
    if kind is None or not is_installed():
        return None
    with open_clip() as clip:
        shelf = Shelf(clip, is_good=from_good)
        order = {"size": shelf.size, "kind": kind, "ranges": ranges, "from_good": from_good}
        line = json.dumps(order).encode() + b"\n"
        try:
            answer = ask_apart(reader, line, shelf, Limits(silence_s=silence_s))
        except OSError:
            return not_understood(ranges, NOT_READ)
    harm = None if answer is None else _understood(answer)
    if harm is not None and harm.why == NO_LIBRARY:
        return None
    return harm or not_understood(ranges, ENDED)


def is_installed() -> bool:
    """Whether the library that reads clips is there."""
    try:
        return find_spec("av") is not None
    except ValueError:  # a module that was put there without a specification
        return False


def _understood(answer: bytes) -> ClipHarm | None:
    """A reader's answer; None where it is none. It was handed hostile bytes, so it is not believed."""
    try:
        told = json.loads(answer, parse_constant=_refused)
        return ClipHarm(
            streams=tuple(
                StreamHarm(
                    kind=str(one["kind"]),
                    number=int(one["number"]),
                    spans=tuple((_seconds(begin), _seconds(end)) for begin, end in one["spans"]),
                )
                for one in told["streams"]
            ),
            index=_ranges(told["index"]),
            opened=bool(told["opened"]),
            why=str(told["why"]),
            padding=_ranges(told["padding"]),
            sure=bool(told["sure"]),
        )
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        return None


def _seconds(value: float) -> float:
    seconds = float(value)
    if not math.isfinite(seconds):  # 1e999 is no constant, and infinite all the same
        raise ValueError("no time")
    return seconds


def _refused(constant: str) -> float:
    raise ValueError(f"{constant} is no time")


def _ranges(told: list[tuple[int, int]]) -> Ranges:
    return tuple((int(begin), int(end)) for begin, end in told)
