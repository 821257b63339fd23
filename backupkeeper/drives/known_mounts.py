"""A mount table without the mounts that did not answer.

A worker is told which mounts were looked at and answered. One that did not (a dying disk) would hold
up every look through all mounts, so to the worker it is not there.
"""

from collections.abc import Collection

from backupkeeper.core.errors import DriveGoneError
from backupkeeper.ports.mounts import DeviceInfo, Mount, Mounts


class KnownMounts:
    """``ports.mounts.Mounts`` that shows only mounts with one of these tokens (and no device).

    Mounts without a block device are shown as they are: nobody looks for drives among them.
    """

    def __init__(self, inner: Mounts, tokens: Collection[str]) -> None:
        self._inner = inner
        self._tokens = frozenset(tokens)

    def current(self) -> tuple[Mount, ...]:
        """The mounts that answered, in the order of the system."""
        return tuple(mount for mount in self._inner.current() if self._is_known(mount))

    def under(self, path: str) -> Mount:
        """The mount that holds ``path``.

        Raises:
            DriveGoneError: it is one that did not answer.
        """
        # Asked of the table first: to open anything on a dying disk may never end.
        for mount in self._inner.current():
            if mount.point == path and not self._is_known(mount):
                raise DriveGoneError("A drive that answers", path)
        return self._inner.under(path)

    def inspect(self, mount: Mount) -> DeviceInfo:
        """Identity and facts of the medium under a mount."""
        return self._inner.inspect(mount)

    def _is_known(self, mount: Mount) -> bool:
        return mount.token in self._tokens or not mount.source.startswith("/dev/")
