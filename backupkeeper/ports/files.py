"""The file system at the height of system calls.

One method is one system call (or the shortest run of calls that has one meaning); no loop, no
retry, no decision. Errors leave as ``OSError`` with the right ``errno``: the callers in
``transfer`` turn them into our tree. Paths are absolute text (PEP 383 surrogates for odd bytes).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import NewType, Protocol

Handle = NewType("Handle", int)


class EntryKind(StrEnum):
    """What a directory entry is, links not followed."""

    FILE = "file"
    FOLDER = "folder"
    LINK = "link"
    FIFO = "named pipe"
    SOCKET = "socket"
    DEVICE = "device node"
    UNKNOWN = "unknown"


@dataclass(frozen=True, kw_only=True, slots=True)
class Stat:
    """What ``lstat`` says. ``device`` is ``st_dev``, ``inode`` ``st_ino``."""

    kind: EntryKind
    size: int
    mtime_ns: int
    device: int
    inode: int
    links: int


class Files(Protocol):
    """System calls on files and folders."""

    def create(self, path: str) -> Handle:
        """Open a new file for reading and writing; ``EEXIST`` if the name is taken."""
        ...

    def open_write(self, path: str) -> Handle:
        """Open an existing regular file for reading and writing, links refused."""
        ...

    def open_read(self, path: str, *, direct: bool = False) -> Handle:
        """Open for reading, links refused, never blocking on a FIFO, access time left alone if allowed.

        With ``direct`` the page cache is by-passed (``O_DIRECT``); ``EINVAL`` where it can't be.
        """
        ...

    def read_into(self, handle: Handle, buffer: memoryview, offset: int) -> int:
        """Read up to ``len(buffer)`` bytes at ``offset``; 0 at the end of the file."""
        ...

    def write_at(self, handle: Handle, data: memoryview, offset: int) -> int:
        """Write at ``offset``; may write less than asked."""
        ...

    def truncate(self, handle: Handle, size: int) -> None:
        """Cut or extend to ``size`` bytes."""
        ...

    def reserve(self, handle: Handle, size: int) -> None:
        """Reserve space for ``size`` bytes without writing; ``EOPNOTSUPP`` where it can't be."""
        ...

    def sync(self, handle: Handle) -> None:
        """``fsync``."""
        ...

    def sync_tree(self, path: str) -> None:
        """``syncfs``: everything of the file system that holds ``path``."""
        ...

    def sync_folder(self, path: str) -> None:
        """``fsync`` of a folder: its entries."""
        ...

    def drop_pages(self, handle: Handle) -> None:
        """Ask the system to forget the cached pages of the file (``POSIX_FADV_DONTNEED``)."""
        ...

    def pages_in_memory(self, handle: Handle, size: int) -> int:
        """How many pages of the file are cached (``mincore`` on a fresh, untouched mapping)."""
        ...

    def drop_device_pages(self, device_path: str) -> int:
        """Ask the system to forget the block device's own cached pages; return how many are left.

        ``EACCES``/``EPERM`` without the right to open the device; ``ENOSYS`` where the count can't
        be had (``cachestat``, Linux 6.5).
        """
        ...

    def stat_handle(self, handle: Handle) -> Stat:
        """``fstat``."""
        ...

    def close(self, handle: Handle) -> None:
        """``close``: may raise what an earlier write met."""
        ...

    def lock(self, path: str) -> Handle:
        """Open a file for reading and hold it against every other ``lock`` until ``close``.

        ``EWOULDBLOCK`` where another holds it (``flock``; over a network perhaps only on this
        machine).
        """
        ...

    def stat(self, path: str) -> Stat:
        """``lstat``."""
        ...

    def list(self, path: str) -> Iterator[tuple[str, EntryKind]]:
        """Names and kinds of a folder's entries, in the order of the system, links not followed."""
        ...

    def make_folder(self, path: str, *, private: bool = False) -> None:
        """``mkdir``, for its owner alone if ``private``; ``EEXIST`` if there is one."""
        ...

    def set_times(self, path: str, mtime_ns: int) -> None:
        """Set access and modification time, links not followed."""
        ...

    def rename_new(self, old: str, new: str) -> None:
        """Rename without replacing: ``EEXIST`` if the new name is taken (``RENAME_NOREPLACE``)."""
        ...

    def link(self, old: str, new: str) -> None:
        """Give a file a second name, links not followed; ``EEXIST`` if the new name is taken.

        ``EPERM`` or ``EOPNOTSUPP`` where the file system knows no second names.
        """
        ...

    def disk_position(self, path: str) -> int | None:
        """Byte of the device at which the file's first extent begins; None where nobody tells."""
        ...

    def rename_over(self, old: str, new: str) -> None:
        """Rename, replacing.

        Only for files of our own making (chain, marker, snapshot), and for a damaged file that was
        set aside before.
        """
        ...

    def unlink(self, path: str) -> None:
        """Remove one name: of a temporary file of ours, or, on a person's word, of one set aside."""
        ...

    def free_bytes(self, path: str) -> int:
        """Bytes that an ordinary user may still write on the file system of ``path``."""
        ...
