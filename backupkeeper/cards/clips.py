"""Which seconds of a clip lie in hurt bytes.

Promises:
1. A hurt or hostile clip never hangs or ends the caller: it is looked into by a process of its own
   (``cards.clip_reader``), with bounds on memory, on silence and on what it may ask for; whatever
   goes wrong there is a clip that was not understood.
2. Without the library (the extra ``media``), or for a file that is no clip, the answer is None.
3. The whole clip is read once, about; nothing is decoded and nothing is written.
"""

import json
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.util import find_spec
from io import SEEK_END
from typing import BinaryIO, Final

from backupkeeper.cards.clip_reader import ANSWERS, ASKS, FAILED, LENGTH, MOST_BYTES, QUESTION
from backupkeeper.cards.demuxing import NO_LIBRARY, format_of
from backupkeeper.core.clip_harm import ClipHarm, StreamHarm, not_understood
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.ranges import Ranges

READER: Final = (sys.executable, "-m", "backupkeeper.cards.clip_reader")
SILENCE_S: Final = 60.0
"""A reader that asks nothing for so long is ended: no clip needs that between two reads."""
LAST_WORDS_S: Final = 10.0
"""A reader that has answered has so long to end by itself."""
MOST_ANSWER: Final = 1 << 28
LEAST_QUESTIONS: Final = 100_000
BYTES_A_QUESTION: Final = 1024
"""Questions may be one for so many bytes of the clip, and ``LEAST_QUESTIONS`` besides."""
ENDED: Final = "it could not be read: the reader was ended by what is in it"
NOT_READ: Final = "it could not be read"


@dataclass(slots=True)
class _Pulse:
    """Whether a reader is alive: counted by one thread, looked at by another."""

    beats: int = 0
    is_ours: bool = False
    """Whether it waits for us (a slow drive), not we for it."""


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
    if kind is None or not _is_installed():
        return None
    with open_clip() as clip:
        order = {"size": clip.seek(0, SEEK_END), "kind": kind, "ranges": ranges}
        line = json.dumps({**order, "from_good": from_good}).encode() + b"\n"
        try:
            process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
                tuple(reader),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl-C is the caller's to hear
            )
        except OSError:
            return not_understood(ranges, NOT_READ)
        harm, done, pulse = None, threading.Event(), _Pulse()
        watch = threading.Thread(
            target=_watch, args=(process, done, pulse, silence_s), name="clip reader", daemon=True
        )
        watch.start()
        try:
            harm = _serve(process, _Shelf(clip, is_good=from_good), line, pulse)
        finally:
            done.set()
            watch.join()
            _end(process, is_done=harm is not None)
    if harm is not None and harm.why == NO_LIBRARY:
        return None
    return harm or not_understood(ranges, ENDED)


def _is_installed() -> bool:
    try:
        return find_spec("av") is not None
    except ValueError:  # a module that was put there without a specification
        return False


def _watch(
    process: "subprocess.Popen[bytes]", done: threading.Event, pulse: _Pulse, silence_s: float
) -> None:
    last = -1
    while not done.wait(silence_s):
        if pulse.beats == last and not pulse.is_ours:
            process.kill()
            return
        last = pulse.beats


def _end(process: "subprocess.Popen[bytes]", *, is_done: bool) -> None:
    if is_done:
        with suppress(subprocess.TimeoutExpired):
            process.wait(LAST_WORDS_S)
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with suppress(OSError):  # what was not sent yet can't be any more
                pipe.close()


def _serve(
    process: "subprocess.Popen[bytes]", clip: "_Shelf", order: bytes, pulse: _Pulse
) -> ClipHarm | None:
    """Answer a reader's questions until it answers ours; None where it ends before, or errs."""
    ears, mouth = process.stdout, process.stdin
    assert ears is not None
    assert mouth is not None
    left = LEAST_QUESTIONS + clip.size // BYTES_A_QUESTION
    try:
        mouth.write(order)
        mouth.flush()
        for _ in range(left):
            asked = ears.read(QUESTION.size)
            if len(asked) < QUESTION.size:
                return None
            mark, at, size = QUESTION.unpack(asked)
            if mark == ANSWERS and size <= MOST_ANSWER:
                return _understood(ears.read(size))
            if mark != ASKS or size > MOST_BYTES:
                return None
            pulse.is_ours = True
            found = clip.read(at, size)
            pulse.beats, pulse.is_ours = pulse.beats + 1, False
            mouth.write(LENGTH.pack(FAILED if found is None else len(found)) + (found or b""))
            mouth.flush()
    except BrokenPipeError:
        return None
    return None


class _Shelf:
    """The clip, for reading at any place.

    Args:
        clip: open.
        is_good: whether it is a good copy. Of a hurt one zeros stand for what the drive will not
            give: that is among the hurt bytes already, and what comes after it can still be told.
    """

    def __init__(self, clip: BinaryIO, *, is_good: bool) -> None:
        self._clip = clip
        self._is_good = is_good
        self.size = clip.seek(0, SEEK_END)

    def read(self, at: int, size: int) -> bytes | None:
        """Bytes of the clip, fewer at its end; None where they can't be had."""
        found = bytearray()
        try:
            self._clip.seek(at)
            while len(found) < size and (more := self._clip.read(size - len(found))):
                found += more
        except (OSError, BackupkeeperError):
            return None if self._is_good else bytes(min(size, max(0, self.size - at)))
        except (ValueError, OverflowError):
            return None
        return bytes(found)


def _understood(answer: bytes) -> ClipHarm | None:
    """A reader's answer; None where it is none. It was handed hostile bytes, so it is not believed."""
    try:
        told = json.loads(answer, parse_constant=_refused)
        return ClipHarm(
            streams=tuple(
                StreamHarm(
                    kind=str(one["kind"]),
                    number=int(one["number"]),
                    spans=tuple((float(begin), float(end)) for begin, end in one["spans"]),
                )
                for one in told["streams"]
            ),
            index=_ranges(told["index"]),
            opened=bool(told["opened"]),
            why=str(told["why"]),
            padding=_ranges(told["padding"]),
            sure=bool(told["sure"]),
        )
    except (ValueError, TypeError, KeyError):
        return None


def _refused(constant: str) -> float:
    raise ValueError(f"{constant} is no time")


def _ranges(told: list[tuple[int, int]]) -> Ranges:
    return tuple((int(begin), int(end)) for begin, end in told)
