"""Which way a mount can be read cold, by its file system's type.

Promise: the type in the mount table decides, never whether ``O_DIRECT`` opened: on FUSE it opens and
reads the block device's cache (SEEN section 2).
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import Enum, auto

KERNEL_TYPES = frozenset(
    {
        "ext2",
        "ext3",
        "ext4",
        "xfs",
        "btrfs",
        "f2fs",
        "vfat",
        "exfat",
        "ntfs3",
        "hfsplus",
        "jfs",
        "udf",
        "iso9660",
        "overlay",
    }
)
"""File systems whose only cache is the page cache, as far as Linux knows them."""
DIRECT_TYPES = frozenset({"xfs", "vfat", "exfat"})
"""Those among them where an ``O_DIRECT`` read is evidence by itself. Others read compressed,
inline, journalled or stacked files through the page cache without a word (tried with ext4 mounted
``data=journal``; the rest from memory: kernel sources)."""
NETWORK_TYPES = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "ceph", "afs", "virtiofs", "ncpfs"}
)
MEMORY_TYPES = frozenset({"tmpfs", "ramfs", "devtmpfs", "rootfs"})


class ColdKind(Enum):
    """Which way a cold read can be had."""

    KERNEL = auto()
    FUSE = auto()
    NEVER = auto()


@dataclass(frozen=True, kw_only=True, slots=True)
class ColdPolicy:
    """How a mount can be read cold. ``why_never`` is a sentence where it can't be.

    ``stopwatch`` (seconds, never back) limits what a failing device may cost (``transfer.salvage``).
    """

    fs_type: str
    kind: ColdKind
    block_device: str | None = None
    why_never: str = ""
    stopwatch: Callable[[], float] | None = field(default=None, compare=False, repr=False)


def cold_policy(
    fs_type: str, block_device: str | None, *, stopwatch: Callable[[], float] | None = None
) -> ColdPolicy:
    """Decide by the type in the mount table, and the block device's node where there is one."""
    return replace(_by_type(fs_type, block_device), stopwatch=stopwatch)


def _by_type(fs_type: str, block_device: str | None) -> ColdPolicy:
    if fs_type in KERNEL_TYPES:
        return ColdPolicy(fs_type=fs_type, kind=ColdKind.KERNEL, block_device=block_device)
    if fs_type in {"fuse", "fuseblk"} or fs_type.startswith("fuse."):
        if block_device is not None:
            return ColdPolicy(fs_type=fs_type, kind=ColdKind.FUSE, block_device=block_device)
        why = (
            f"{fs_type} answers from a program's own cache, and there is no device below it that "
            "could be read past it."
        )
    elif fs_type in NETWORK_TYPES:
        why = f"{fs_type} is a network share: what it answers may come from the server's memory."
    elif fs_type in MEMORY_TYPES:
        why = f"{fs_type} keeps files in memory only: there is no medium to read them from."
    elif fs_type == "zfs":
        why = "zfs has a cache of its own that can't be seen or by-passed from here."
    else:
        why = f"How {fs_type} caches what it reads is not known here."
    return ColdPolicy(fs_type=fs_type, kind=ColdKind.NEVER, why_never=why)
