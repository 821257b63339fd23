"""A process of its own for one clip: it is handed bytes that it asks for, and answers once.

Whatever hostile bytes do to the library that reads them ends there. The process has no file of its
own (``cards.clip_reader`` has its end of the pipes).

Promises:
1. It never hangs or ends the caller: it is ended when it is silent for too long, thinks for too long,
   or asks for too much.
2. Its answer is handed on as it came, and believed by nobody here.
"""

import os
import subprocess
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from io import SEEK_END
from time import perf_counter
from typing import BinaryIO, Final

from backupkeeper.cards.clip_reader import ANSWERS, ASKS, FAILED, LENGTH, MOST_BYTES, QUESTION
from backupkeeper.core.environ import without_keys
from backupkeeper.core.errors import BackupkeeperError

SILENCE_S: Final = 60.0
"""A reader that asks nothing for so long is ended: no clip needs that between two reads."""
LAST_WORDS_S: Final = 10.0
"""A reader that has answered has so long to end by itself."""
MOST_ANSWER: Final = 1 << 28
LEAST_QUESTIONS: Final = 100_000
BYTES_A_QUESTION: Final = 1024
"""Questions may be one for so many bytes of the clip, and ``LEAST_QUESTIONS`` besides."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """What a reader may take.

    Args:
        silence_s: how long it may think without asking, in seconds.
        thought_s: and how long in all.
        most_bytes: how much of the clip it may ask for, the same bytes twice counted twice.
        most_answer: the longest answer, in bytes.
    """

    silence_s: float = SILENCE_S
    thought_s: float = float("inf")
    most_bytes: float = float("inf")
    most_answer: int = MOST_ANSWER


class Shelf:
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
        self.given = 0
        """Bytes that were asked for so far."""
        self.failed = False
        """Whether some could not be had."""

    def read(self, at: int, size: int) -> bytes | None:
        """Bytes of the clip, fewer at its end; None where they can't be had."""
        found = bytearray()
        self.given += size
        try:
            self._clip.seek(at)
            while len(found) < size and (more := self._clip.read(size - len(found))):
                found += more
        except (OSError, BackupkeeperError):
            self.failed = True
            return None if self._is_good else bytes(min(size, max(0, self.size - at)))
        except (ValueError, OverflowError):
            return None
        return bytes(found)


def ask_apart(reader: Sequence[str], order: bytes, shelf: Shelf, limits: Limits) -> bytes | None:
    """Have a reader look at a clip.

    Args:
        reader: command of the process.
        order: one line that it begins with.
        shelf: where it gets the clip's bytes. What its file raises, but for failures to read,
            leaves as it is.
        limits: what it may take.

    Returns:
        Its answer; None where it ended, or was ended, before.

    Raises:
        OSError: the process can't be started.
    """
    process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
        tuple(reader),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,  # Ctrl-C is the caller's to hear
        env=without_keys(os.environ),  # noqa: TID251 - handed on, without what no clip may see
    )
    answer, done, pulse = None, threading.Event(), Pulse()
    watch_it = threading.Thread(
        target=watch, args=(process, done, pulse, limits.silence_s), name="clip reader", daemon=True
    )
    watch_it.start()
    try:
        answer = _serve(process, shelf, order, pulse, limits)
    finally:
        done.set()
        watch_it.join()
        _end(process, is_done=answer is not None)
    return answer


@dataclass(slots=True)
class Pulse:
    """Whether a reader is alive: counted by one thread, looked at by another."""

    beats: int = 0
    is_ours: bool = False
    """Whether it waits for us (a slow drive), not we for it."""


def watch(
    process: "subprocess.Popen[bytes]", done: threading.Event, pulse: Pulse, silence_s: float
) -> None:
    """Kill a reader that is silent, and not because it waits for us."""
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
    process: "subprocess.Popen[bytes]", shelf: Shelf, order: bytes, pulse: Pulse, limits: Limits
) -> bytes | None:
    """Answer a reader's questions until it answers ours; None where it ends before, or errs."""
    ears, mouth = process.stdout, process.stdin
    assert ears is not None
    assert mouth is not None
    thought = 0.0
    try:
        mouth.write(order)
        mouth.flush()
        for _ in range(LEAST_QUESTIONS + shelf.size // BYTES_A_QUESTION):
            begun = perf_counter()
            asked = ears.read(QUESTION.size)
            thought += perf_counter() - begun
            if len(asked) < QUESTION.size or thought > limits.thought_s:
                return None
            mark, at, size = QUESTION.unpack(asked)
            if mark == ANSWERS and size <= limits.most_answer:
                answer = ears.read(size)
                return answer if len(answer) == size else None
            if mark != ASKS or size > MOST_BYTES or shelf.given + size > limits.most_bytes:
                return None
            pulse.is_ours = True
            found = shelf.read(at, size)
            pulse.beats, pulse.is_ours = pulse.beats + 1, False
            mouth.write(LENGTH.pack(FAILED if found is None else len(found)) + (found or b""))
            mouth.flush()
    except BrokenPipeError:
        return None
    return None
