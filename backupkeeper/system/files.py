"""System calls on files and folders, for Linux: ``ports.files.Files`` as it is.

Promises:
1. One method is one system call, or the shortest run of calls that has one meaning. Nothing is
   retried, and nothing is decided but what the port's docstring says.
2. Links are never followed at the last part of a path.
3. Every failure leaves as ``OSError`` with the system's number.

Calls without a Python function (``renameat2``, ``fallocate``, ``syncfs``, ``mincore``,
``cachestat``) go through the C library.
"""

import ctypes
import errno
import fcntl
import mmap
import os
import stat as modes
from collections.abc import Iterator

from backupkeeper.ports.files import EntryKind, Handle, Stat
from backupkeeper.system.extents import first_extent

_LIBC = ctypes.CDLL(None, use_errno=True)
_LIBC.mmap.restype = ctypes.c_void_p
_LIBC.mmap.argtypes = [
    ctypes.c_void_p,
    ctypes.c_size_t,
    ctypes.c_int,
    ctypes.c_int,
    ctypes.c_int,
    ctypes.c_int64,
]
_LIBC.munmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t]
_LIBC.mincore.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_void_p]
_LIBC.fallocate.argtypes = [ctypes.c_int, ctypes.c_int, ctypes.c_int64, ctypes.c_int64]

_AT_FDCWD = -100
_RENAME_NOREPLACE = 1
_CACHESTAT = 451
"""Number of the system call ``cachestat`` (Linux 6.5), the same on all architectures."""
_PROT_NONE = 0
_MAP_FAILED = ctypes.c_void_p(-1).value
_WINDOW_BYTES = 1 << 30
"""So much of a file is mapped at a time to count its pages: a vector of 256 KiB."""

_KINDS = {
    modes.S_IFREG: EntryKind.FILE,
    modes.S_IFDIR: EntryKind.FOLDER,
    modes.S_IFLNK: EntryKind.LINK,
    modes.S_IFIFO: EntryKind.FIFO,
    modes.S_IFSOCK: EntryKind.SOCKET,
    modes.S_IFBLK: EntryKind.DEVICE,
    modes.S_IFCHR: EntryKind.DEVICE,
}


def _failed(path: str | None = None) -> OSError:
    number = ctypes.get_errno()
    return OSError(number, os.strerror(number), path)


def _as_stat(found: os.stat_result) -> Stat:
    return Stat(
        kind=_KINDS.get(modes.S_IFMT(found.st_mode), EntryKind.UNKNOWN),
        size=found.st_size,
        mtime_ns=found.st_mtime_ns,
        device=found.st_dev,
        inode=found.st_ino,
        links=found.st_nlink,
    )


class RealFiles:
    """``ports.files.Files`` on this machine. Holds no state: safe from any thread."""

    def create(self, path: str) -> Handle:
        """Open a new file for reading and writing; ``EEXIST`` if the name is taken."""
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        return Handle(os.open(path, flags, 0o666))

    def open_write(self, path: str) -> Handle:
        """Open an existing file for reading and writing, links refused, never blocking."""
        return Handle(os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC))

    def open_read(self, path: str, *, direct: bool = False) -> Handle:
        """Open for reading, links refused, access time left alone where the system lets us."""
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        if direct:
            flags |= os.O_DIRECT
        try:
            return Handle(os.open(path, flags | os.O_NOATIME))
        except PermissionError as error:
            if error.errno != errno.EPERM:
                raise
            # O_NOATIME is for a file's owner and the superuser only.
            return Handle(os.open(path, flags))

    def read_into(self, handle: Handle, buffer: memoryview, offset: int) -> int:
        """``preadv``: up to ``len(buffer)`` bytes at ``offset``; 0 at the end of the file."""
        return os.preadv(handle, [buffer], offset)

    def write_at(self, handle: Handle, data: memoryview, offset: int) -> int:
        """``pwrite``: may write less than asked."""
        return os.pwrite(handle, data, offset)

    def truncate(self, handle: Handle, size: int) -> None:
        """``ftruncate``."""
        os.ftruncate(handle, size)

    def reserve(self, handle: Handle, size: int) -> None:
        """``fallocate`` itself: the C library's ``posix_fallocate`` would write instead."""
        if _LIBC.fallocate(handle, 0, 0, size) != 0:
            raise _failed()

    def sync(self, handle: Handle) -> None:
        """``fsync``."""
        os.fsync(handle)

    def sync_tree(self, path: str) -> None:
        """``syncfs`` of the file system that holds the folder ``path``."""
        folder = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            if _LIBC.syncfs(folder) != 0:
                raise _failed(path)
        finally:
            os.close(folder)

    def sync_folder(self, path: str) -> None:
        """``fsync`` of a folder: its entries."""
        folder = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def drop_pages(self, handle: Handle) -> None:
        """``POSIX_FADV_DONTNEED`` on the whole file."""
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)

    def pages_in_memory(self, handle: Handle, size: int) -> int:
        """``mincore`` on a mapping of its own that nobody ever touches.

        Where the system does not let us know (the file is neither ours nor writable to us), it
        says that all pages are there, and so does this.
        """
        return sum(
            _resident(handle, start, min(_WINDOW_BYTES, size - start))
            for start in range(0, size, _WINDOW_BYTES)
        )

    def drop_device_pages(self, device_path: str) -> int:
        """``POSIX_FADV_DONTNEED`` on the block device, then ``cachestat``: what is left."""
        device = os.open(device_path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.posix_fadvise(device, 0, 0, os.POSIX_FADV_DONTNEED)
            # struct cachestat_range (off, len) and struct cachestat, whose first number is nr_cache.
            whole, left = (ctypes.c_uint64 * 2)(0, 0), (ctypes.c_uint64 * 5)()
            number = ctypes.c_long(_CACHESTAT)
            if _LIBC.syscall(number, device, ctypes.byref(whole), ctypes.byref(left), 0) != 0:
                raise _failed(device_path)
            return left[0]
        finally:
            os.close(device)

    def stat_handle(self, handle: Handle) -> Stat:
        """``fstat``."""
        return _as_stat(os.fstat(handle))

    def close(self, handle: Handle) -> None:
        """``close``."""
        os.close(handle)

    def lock(self, path: str) -> Handle:
        """``flock``, exclusive, not waiting; released by ``close`` and by the end of the process."""
        handle = self.open_read(path)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(handle)
            raise
        return handle

    def stat(self, path: str) -> Stat:
        """``lstat``."""
        return _as_stat(os.lstat(path))

    def list(self, path: str) -> Iterator[tuple[str, EntryKind]]:
        """Names and kinds of a folder's entries, in the order of the system."""
        # A folder has an access time too (tests/promises/test_promise_1_walking.py watches it).
        flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
        try:
            folder = os.open(path, flags | os.O_NOATIME)
        except PermissionError:
            folder = os.open(path, flags)
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    yield entry.name, _kind_of(entry)
        finally:
            os.close(folder)

    def make_folder(self, path: str, *, private: bool = False) -> None:
        """``mkdir``."""
        os.mkdir(path, 0o700 if private else 0o777)

    def set_times(self, path: str, mtime_ns: int) -> None:
        """``utimensat`` with both times the same, links not followed."""
        os.utime(path, ns=(mtime_ns, mtime_ns), follow_symlinks=False)

    def rename_new(self, old: str, new: str) -> None:
        """``renameat2(RENAME_NOREPLACE)``; where that is unknown, ``link`` and ``unlink``.

        All refuse a name that is taken. Where there are no hard links either (exFAT through FUSE:
        ``EINVAL`` for a free name, then ``EPERM``; tried in
        ``tests/real/test_main_job_on_loop_devices.py``) it looks, and then renames: only there a
        name that another program takes between these two calls could be replaced.
        """
        sources = os.fsencode(old), os.fsencode(new)
        if _LIBC.renameat2(_AT_FDCWD, sources[0], _AT_FDCWD, sources[1], _RENAME_NOREPLACE) == 0:
            return
        number = ctypes.get_errno()
        if number not in {errno.EINVAL, errno.ENOSYS}:
            raise OSError(number, os.strerror(number), old, None, new)
        try:
            os.link(old, new, follow_symlinks=False)
        except OSError as error:
            if error.errno not in {errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS}:
                raise
        else:
            os.unlink(old)
            return
        if os.path.lexists(new):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), old, None, new)
        os.rename(old, new)

    def link(self, old: str, new: str) -> None:
        """``link``."""
        os.link(old, new, follow_symlinks=False)

    def disk_position(self, path: str) -> int | None:
        """``FS_IOC_FIEMAP`` (linux/fiemap.h), which needs no rights beyond opening the file."""
        handle = self.open_read(path)
        try:
            return first_extent(handle)
        except OSError:
            return None  # FUSE, network and memory file systems have no such thing
        finally:
            os.close(handle)

    def rename_over(self, old: str, new: str) -> None:
        """``rename``, replacing."""
        os.replace(old, new)

    def unlink(self, path: str) -> None:
        """``unlink``."""
        os.unlink(path)

    def remove_folder(self, path: str) -> None:
        """``rmdir``: of an empty folder only. Beside the port: for a drill's scratch folder."""
        os.rmdir(path)

    def free_bytes(self, path: str) -> int:
        """``statvfs``: blocks that an ordinary user may still write, in bytes."""
        found = os.statvfs(path)
        return found.f_bavail * found.f_frsize


def _kind_of(entry: "os.DirEntry[str]") -> EntryKind:
    if entry.is_file(follow_symlinks=False):
        return EntryKind.FILE
    if entry.is_dir(follow_symlinks=False):
        return EntryKind.FOLDER
    if entry.is_symlink():
        return EntryKind.LINK
    mode = entry.stat(follow_symlinks=False).st_mode
    return _KINDS.get(modes.S_IFMT(mode), EntryKind.UNKNOWN)


def _resident(handle: Handle, start: int, length: int) -> int:
    """How many pages of ``length`` bytes from ``start`` are cached."""
    pages = -(-length // mmap.PAGESIZE)
    # PROT_NONE: not even a read-ahead of this very mapping can bring a page in.
    at = _LIBC.mmap(None, length, _PROT_NONE, mmap.MAP_SHARED, handle, start)
    if at == _MAP_FAILED:
        raise _failed()
    try:
        vector = ctypes.create_string_buffer(pages)
        if _LIBC.mincore(at, length, vector) != 0:
            raise _failed()
        return sum(byte & 1 for byte in vector.raw) if any(vector.raw) else 0
    finally:
        _LIBC.munmap(at, length)
