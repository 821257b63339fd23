"""Which watch on mounts fits a system."""

from collections.abc import Callable, Sequence
from typing import Final

from backupkeeper.drives.watch_linux import LinuxMountWatch
from backupkeeper.drives.watch_macos import VOLUMES, FolderMountWatch
from backupkeeper.drives.watch_polling import PollingMountWatch
from backupkeeper.ports.watch import MountWatch

SLOW_S: Final = 15.0
"""Seconds between looks that only mend what another watch missed."""


class SeveralWatches:
    """Several watches as one."""

    def __init__(self, watches: Sequence[MountWatch]) -> None:
        self._watches = tuple(watches)

    def start(self, on_change: Callable[[], None]) -> None:
        """Begin all."""
        for watch in self._watches:
            watch.start(on_change)

    def stop(self) -> None:
        """End all."""
        for watch in self._watches:
            watch.stop()


def mount_watch_for(platform: str, media: tuple[str, ...]) -> MountWatch:
    """The watch for a system.

    Args:
        platform: as ``sys.platform``.
        media: folders below which the system mounts media.
    """
    match platform:
        case "linux":
            return SeveralWatches([LinuxMountWatch(), FolderMountWatch(media)])
        case "darwin":
            watches = FolderMountWatch((VOLUMES, *media)), PollingMountWatch(SLOW_S)
            return SeveralWatches(watches)
        case _:
            return PollingMountWatch()
