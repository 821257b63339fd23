"""Buffers: made once, lent, given back. Memory stays constant whatever is read.

Promises:
1. Every buffer starts on a page (``O_DIRECT`` wants that) and is never moved.
2. Whoever waits for a buffer is woken when the work is stopped (``AbandonedError``).
"""

import mmap
import threading
from collections.abc import Callable

from backupkeeper.core.errors import BackupkeeperError

PAGE_BYTES = 4096
"""Reads with ``O_DIRECT`` keep to multiples of this, which fits every sector size in use."""


class AbandonedError(BackupkeeperError):
    """The work was stopped from outside. Never leaves ``transfer``."""

    def __init__(self) -> None:
        super().__init__("The work was stopped.")


def new_buffer(size: int) -> memoryview:
    """A page-aligned buffer of at least ``size`` bytes, rounded up to whole pages."""
    whole = max(PAGE_BYTES, -(-size // PAGE_BYTES) * PAGE_BYTES)
    return memoryview(mmap.mmap(-1, whole))


class Buffers:
    """Buffers for readings, kept from one reading to the next. For one thread at a time.

    Args:
        size: bytes of a buffer.
    """

    def __init__(self, size: int) -> None:
        self.size = size
        self._idle: list[memoryview] = []

    def take(self) -> memoryview:
        """A buffer: an idle one, or a new one."""
        return self._idle.pop() if self._idle else new_buffer(self.size)

    def give(self, buffer: memoryview) -> None:
        """Give a buffer back."""
        self._idle.append(buffer)


class Slot:
    """One buffer of a ring, lent to several readers of it at once."""

    def __init__(self, ring: "Ring", view: memoryview) -> None:
        self.view = view
        self._ring = ring
        self._users = 0

    def lend(self, users: int) -> None:
        """Count on ``users`` calls of ``release`` before the slot is free again."""
        self._users = users

    def release(self) -> None:
        """One user has done with it."""
        self._ring.release(self)

    def drop_user(self) -> bool:
        """Count one user less; True if it was the last. Only the ring calls this, locked."""
        self._users -= 1
        return self._users <= 0


class Ring:
    """A fixed number of slots between one reader and several users of what it read.

    Args:
        count: slots.
        size: bytes of each.
        stopped: asked while waiting.
    """

    def __init__(self, count: int, size: int, stopped: Callable[[], bool]) -> None:
        self.size = size
        self._unmade = count
        self._free: list[Slot] = []
        self._stopped = stopped
        self._changed = threading.Condition()
        self._closed = False

    def take(self) -> Slot:
        """Wait for a free slot.

        Raises:
            AbandonedError: the work was stopped meanwhile.
        """
        with self._changed:
            while not self._free and not self._unmade:
                if self._stopped():
                    raise AbandonedError
                self._changed.wait()
            if self._stopped():
                raise AbandonedError
            if self._free:
                return self._free.pop()
            self._unmade -= 1
            return Slot(self, new_buffer(self.size))

    def release(self, slot: Slot) -> None:
        """Take one user off a slot; wake the reader if it was the last."""
        with self._changed:
            if slot.drop_user() and not self._closed:
                self._free.append(slot)
                self._changed.notify_all()

    def close(self) -> None:
        """Let go of the buffers now. A slot knows its ring, so they would wait for the collector."""
        with self._changed:
            self._closed = True
            self._free.clear()

    def wake(self) -> None:
        """Let whoever waits look again whether the work was stopped."""
        with self._changed:
            self._changed.notify_all()
