"""Being woken when something is mounted or unmounted on Linux.

A thread sleeps in ``poll`` on ``/proc/self/mountinfo`` for POLLPRI and POLLERR alone: the file is
always readable, so waiting for that would spin (STANDARDS section 9.1; the notice is consumed by
``poll``, so the table is read again from its beginning by whoever is woken).
"""

import os
import select
import threading
from collections.abc import Callable
from contextlib import suppress

from backupkeeper.core.errors import ListingError

MOUNT_TABLE = "/proc/self/mountinfo"
_END_S = 1.0


class LinuxMountWatch:
    """``ports.watch.MountWatch`` on Linux.

    Args:
        table: the mount table (tests name another).
    """

    def __init__(self, table: str = MOUNT_TABLE) -> None:
        self._table = table
        self._thread: threading.Thread | None = None
        self._bell: int | None = None

    def start(self, on_change: Callable[[], None]) -> None:
        """Begin; returns at once. What is mounted from here on is noticed; again is no harm.

        Raises:
            ListingError: the mount table can't be opened.
        """
        if self._thread is not None:
            return
        try:
            table = os.open(self._table, os.O_RDONLY | os.O_CLOEXEC)
        except OSError as error:
            raise ListingError(f"{self._table} can't be watched ({error.strerror}).") from error
        ear, self._bell = os.pipe()
        self._thread = threading.Thread(
            target=_watch, args=(table, ear, on_change), name="mount watch", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """End within a second; no call begins afterwards."""
        if self._thread is None or self._bell is None:
            return
        os.close(self._bell)  # its other end is told of that
        self._thread.join(_END_S)  # longer only where the callee does not return
        self._thread = self._bell = None


def _watch(table: int, ear: int, on_change: Callable[[], None]) -> None:
    poll = select.poll()
    poll.register(table, select.POLLPRI | select.POLLERR)
    poll.register(ear, select.POLLIN)
    try:
        while ear not in [descriptor for descriptor, _ in poll.poll()]:
            with suppress(Exception):  # what the callee makes of it is its own business
                on_change()
    finally:
        os.close(table)
        os.close(ear)
