"""The process that looks into one clip: ``python -P -m backupkeeper.cards.clip_reader``.

It has no file of its own: it asks for bytes on standard output and gets them on standard input
(``cards.clips`` has the other end). So whatever hostile bytes do to the library ends here.

Promises:
1. Only questions and one answer are written to standard output.
2. It ends when its parent does.
3. It takes no more than ``MEMORY_BYTES``, where the system can hold it to that.
"""

import io
import json
import os
import resource
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from struct import Struct
from typing import Any, BinaryIO, Final, cast

from backupkeeper.cards.demuxing import harm_in

MEMORY_BYTES: Final = 2 << 30
QUESTION: Final = Struct("<cQI")
"""``ASKS``, where, how many bytes; or ``ANSWERS``, 0, how many bytes of JSON follow."""
LENGTH: Final = Struct("<i")
"""Before the bytes that were asked for: how many; ``FAILED`` where they could not be read."""
ASKS: Final = b"?"
ANSWERS: Final = b"!"
FAILED: Final = -1
MOST_BYTES: Final = 1 << 22
"""So many are asked for at once, at most."""

Order = dict[str, Any]
OpenClip = Callable[[], BinaryIO]


class Asked(io.RawIOBase):
    """A file at the other end of two pipes.

    Args:
        ask: gets ``size`` bytes at an offset; fewer at the end of the file.
        size: of the file.
    """

    def __init__(self, ask: Callable[[int, int], bytes], size: int) -> None:
        super().__init__()
        self._ask = ask
        self._size = size
        self._at = 0

    def readable(self) -> bool:
        """It is."""
        return True

    def seekable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]  # typeshed: WriteableBuffer
        """Read the next bytes into a buffer; 0 at the end."""
        view = memoryview(buffer).cast("B")
        wanted = min(len(view), MOST_BYTES, self._size - self._at)
        if wanted <= 0:
            return 0
        got = self._ask(self._at, wanted)
        view[: len(got)] = got
        self._at += len(got)
        return len(got)

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go elsewhere."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size}[whence]
        if base + offset < 0:
            raise ValueError("before the beginning of the file")
        self._at = base + offset
        return self._at

    def tell(self) -> int:
        """Where it is."""
        return self._at


def answer(hears: BinaryIO, says: BinaryIO, work: Callable[[Order, OpenClip], bytes]) -> None:
    """Take one order from ``hears``, ask through ``says``, and answer there.

    Args:
        hears: an order, one line of JSON with at least the clip's ``size``; then what was asked for.
        says: questions, and the answer.
        work: makes the answer of the order and of what opens the clip (as often as it likes).
    """
    order = json.loads(hears.readline())

    def ask(at: int, size: int) -> bytes:
        says.write(QUESTION.pack(ASKS, at, size))
        says.flush()
        (length,) = LENGTH.unpack(hears.read(LENGTH.size))
        if length == FAILED:
            raise OSError("could not be read")
        return hears.read(length)

    answered = work(order, lambda: cast("BinaryIO", Asked(ask, order["size"])))
    says.write(QUESTION.pack(ANSWERS, 0, len(answered)) + answered)
    says.flush()


def main(hears: BinaryIO, says: BinaryIO) -> None:
    """Tell which seconds of a clip lie in hurt bytes."""
    answer(hears, says, _harm)


def _harm(order: Order, open_clip: OpenClip) -> bytes:
    harm = harm_in(
        open_clip,
        order["kind"],
        tuple((begin, end) for begin, end in order["ranges"]),
        from_good=order["from_good"],
    )
    return json.dumps(asdict(harm)).encode()


def hold_to(memory_bytes: int, **others: int) -> None:
    """Take no more than that, and leave no image of the memory behind.

    Args:
        memory_bytes: of address space.
        others: further limits by the name of ``resource``, such as ``RLIMIT_CPU``.
    """
    wanted = {"RLIMIT_CORE": 0, "RLIMIT_AS": memory_bytes, **others}
    for name, most in wanted.items():
        with suppress(ValueError, OSError):  # a limit that is lower already, or not to be had
            resource.setrlimit(getattr(resource, name), (most, most))


def mouth_alone() -> BinaryIO:
    """Standard output, which from then on is nobody else's: what is printed goes to standard error."""
    mouth = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    return mouth


if __name__ == "__main__":
    hold_to(MEMORY_BYTES)
    # Whatever the library prints must not reach the pipe that answers go through.
    main(sys.stdin.buffer, mouth_alone())
