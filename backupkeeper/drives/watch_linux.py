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

MOUNT_TABLE = "/proc/self/mountinfo"


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
        """Begin; returns at once.

        Raises:
            OSError: the mount table can't be opened.
        """
        handle = os.open(self._table, os.O_RDONLY | os.O_CLOEXEC)
        self._bell = os.eventfd(0, os.EFD_CLOEXEC)
        self._thread = threading.Thread(
            target=_watch, args=(handle, self._bell, on_change), name="mount watch", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """End within a second; no call comes afterwards."""
        if self._thread is None or self._bell is None:
            return
        os.eventfd_write(self._bell, 1)
        self._thread.join(5.0)
        os.close(self._bell)
        self._thread = self._bell = None


def _watch(handle: int, bell: int, on_change: Callable[[], None]) -> None:
    poll = select.poll()
    poll.register(handle, select.POLLPRI | select.POLLERR)
    poll.register(bell, select.POLLIN)
    try:
        while True:
            ready = [descriptor for descriptor, _ in poll.poll()]
            if bell in ready:
                return
            with suppress(Exception):  # what the callee makes of it is its own business
                on_change()
    finally:
        os.close(handle)
