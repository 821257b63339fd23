"""What is mounted, and what a path rests on."""

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, kw_only=True, slots=True)
class Mount:
    """One line of the mount table. ``token`` names this very mount (boot id and mount id)."""

    mount_id: int
    point: str
    root: str
    """Which folder of the file system is mounted: anything but ``/`` is a bind mount."""
    fs_type: str
    source: str
    device_number: tuple[int, int]
    read_only: bool
    token: str


@dataclass(frozen=True, kw_only=True, slots=True)
class DeviceInfo:
    """What is known of the medium under a mount; ``None`` is "not known", never "no".

    ``device`` identifies the *physical* device (two partitions of one disk share it);
    ``block_device`` is its node for the file system, where there is one.
    """

    mount: Mount
    fs_uuid: str | None
    label: str | None
    size_bytes: int | None
    device: str
    spins: bool | None
    block_device: str | None


class Mounts(Protocol):
    """The mount table and what lies under it."""

    def current(self) -> tuple[Mount, ...]:
        """All mounts, in the order of the system; a later one hides an earlier one at its point."""
        ...

    def under(self, path: str) -> Mount:
        """The mount that holds ``path`` (which must exist), decided by the system, not by prefix."""
        ...

    def inspect(self, mount: Mount) -> DeviceInfo:
        """Identity and facts of the medium under a mount."""
        ...
