"""Being woken when the list of mounts is another, by asking for it now and then (psutil).

For systems that have nothing better here. Tried on Linux; on other systems it should do what psutil
says of ``disk_partitions``, but was not tried.
"""

import threading
from collections.abc import Callable
from contextlib import suppress

import psutil

INTERVAL_S = 1.0
_END_S = 1.0


def psutil_mounts() -> frozenset[str]:
    """What is mounted: device, point and type of each; nothing where the system does not tell."""
    try:
        parts = psutil.disk_partitions(all=False)
    except (OSError, psutil.Error):
        return frozenset()
    return frozenset(f"{part.device}\0{part.mountpoint}\0{part.fstype}" for part in parts)


class PollingMountWatch:
    """``ports.watch.MountWatch`` on any system.

    Args:
        interval_s: seconds between two looks.
        mounts: what is mounted now, a text for each (psutil's word for it).
    """

    def __init__(
        self,
        interval_s: float = INTERVAL_S,
        mounts: Callable[[], frozenset[str]] = psutil_mounts,
    ) -> None:
        self._interval_s = interval_s
        self._mounts = mounts
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, on_change: Callable[[], None]) -> None:
        """Begin; returns at once; again is no harm."""
        if self._thread is not None:
            return
        self._ended.clear()
        self._thread = threading.Thread(
            target=self._watch, args=(on_change, self._mounts()), name="mount watch", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """End within a second; no call begins afterwards."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join(_END_S)  # longer only where the callee does not return
            self._thread = None

    def _watch(self, on_change: Callable[[], None], before: frozenset[str]) -> None:
        while not self._ended.wait(self._interval_s):
            now = self._mounts()
            if now != before:
                before = now
                with suppress(Exception):  # what the callee makes of it is its own business
                    on_change()
