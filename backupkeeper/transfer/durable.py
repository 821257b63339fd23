"""The order in which a file comes into being (promise 3), here and nowhere else.

Promises:
1. A final name is given only to bytes that are on the medium and were read back:
   temporary name in the same folder, written, synced, read back, times set, renamed without
   replacing, folder synced.
2. A temporary file left by an interruption is compared with the bytes that belong there and
   written only where it differs; it is never trusted.
3. Before a file is created and before it gets its final name the caller's guard looks whether the
   drive is still the one that was identified.
4. A name that is taken stays as it is; only files of our own making (``replace_own``) are replaced.

Example:
    make_folders(files, root, "260612 Boatyard/Originals/Wide/Roll 01", guard)
    write_small(files, f"{root}/.backupkeeper/place.json", data, guard)
"""

import errno
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from blake3 import blake3

from backupkeeper.core.errors import (
    BrokenPromiseError,
    NameTakenError,
    ReadBackError,
    SyncError,
)
from backupkeeper.ports.files import EntryKind, Files, Handle
from backupkeeper.transfer.failures import write_failure
from backupkeeper.transfer.reading import fill, opened
from backupkeeper.transfer.ring import new_buffer

Guard = Callable[[], None]
TEMP_PREFIX = ".backupkeeper-"
TEMP_SUFFIX = ".part"


def temp_name(path: str) -> str:
    """Where ``path`` is written before it gets its name: always the same, in the same folder."""
    folder, slash, name = path.rpartition("/")
    digest = blake3(os.fsencode(name)).hexdigest()[:16]
    return f"{folder}{slash}{TEMP_PREFIX}{digest}{TEMP_SUFFIX}"


def is_temp_name(name: str) -> bool:
    """Whether a name (without its folder) is one that ``temp_name`` makes."""
    middle = name.removeprefix(TEMP_PREFIX).removesuffix(TEMP_SUFFIX)
    return (
        len(name) == len(TEMP_PREFIX) + 16 + len(TEMP_SUFFIX)
        and name == f"{TEMP_PREFIX}{middle}{TEMP_SUFFIX}"
        and set(middle) <= set("0123456789abcdef")
    )


@contextmanager
def told_as_ours(path: str, *, syncing: bool = False) -> Iterator[None]:
    """Turn ``OSError`` about ``path`` into our own errors."""
    try:
        yield
    except OSError as error:
        raise write_failure(path, error, syncing=syncing) from error


class TempFile:
    """A file under its temporary name, open for writing. ``OSError`` leaves as it is.

    Args:
        files: the system.
        path: the final name.
    """

    def __init__(self, files: Files, path: str) -> None:
        self._files = files
        self.path = temp_name(path)
        self.handle, self.continued = self._open()

    def _open(self) -> tuple[Handle, bool]:
        try:
            return self._files.create(self.path), False
        except OSError as error:
            if error.errno != errno.EEXIST:
                raise
        there = self._files.stat(self.path)
        if there.kind is EntryKind.FILE and there.links == 1:
            return self._files.open_write(self.path), True
        # Not what an interruption leaves (a link, or a second name of some other file).
        self._files.unlink(self.path)
        return self._files.create(self.path), False

    def put(self, data: memoryview, offset: int, scratch: memoryview) -> None:
        """Write all of ``data``; in a continued file only what differs.

        Args:
            data: the bytes.
            offset: where in the file.
            scratch: a buffer at least as long, for what stands there.
        """
        if self.continued and self._holds(data, offset, scratch[: len(data)]):
            return
        while data:
            done = self._files.write_at(self.handle, data, offset)
            data = data[done:]
            offset += done

    def _holds(self, data: memoryview, offset: int, scratch: memoryview) -> bool:
        try:
            got = fill(self._files, self.handle, scratch, offset, offset + len(data))
        except OSError:
            return False  # what can't be read is written anew
        return got == len(data) and scratch == data

    def cut(self, size: int) -> None:
        """Cut off what a continued file had too much."""
        if self.continued:
            self._files.truncate(self.handle, size)

    def close(self) -> None:
        """Close it; the bytes may still be in memory only."""
        self._files.close(self.handle)


def write_small(files: Files, path: str, data: bytes, guard: Guard) -> None:
    """Make a new small file of our own, durably.

    Args:
        files: the system.
        path: final name, absolute; its folder must be there.
        data: all its bytes.
        guard: raises if the drive is not the one that was identified any more.

    Raises:
        NameTakenError: another file has this name; the very same bytes there are fine.
        BackupkeeperError: what the guard raised, or what kept the bytes from the medium.
    """
    with told_as_ours(path):
        if _already_there(files, path, data):
            with told_as_ours(path, syncing=True):
                _sync_file(files, path)
                files.sync_folder(os.path.dirname(path))
            return
        temp = _write_temp(files, path, data, guard)
        guard()
        try:
            files.rename_new(temp, path)
        except OSError as error:
            if error.errno != errno.EEXIST:
                raise
            files.unlink(temp)
            if not _already_there(files, path, data):
                raise NameTakenError(path) from error
    with told_as_ours(path, syncing=True):
        files.sync_folder(os.path.dirname(path))


def replace_own(files: Files, path: str, data: bytes, guard: Guard) -> None:
    """Write a small file of our own anew, replacing the older one in one step.

    Only for files that this program makes (chain, marker, snapshot). Arguments and errors as in
    ``write_small``; a folder or link under that name is ``NameTakenError``.
    """
    with told_as_ours(path):
        try:
            kind = files.stat(path).kind
        except FileNotFoundError:
            kind = EntryKind.FILE
        if kind is not EntryKind.FILE:
            raise NameTakenError(path)
        temp = _write_temp(files, path, data, guard)
        guard()
        files.rename_over(temp, path)
    with told_as_ours(path, syncing=True):
        files.sync_folder(os.path.dirname(path))


def _write_temp(files: Files, path: str, data: bytes, guard: Guard) -> str:
    guard()
    temp = TempFile(files, path)
    try:
        temp.put(memoryview(data), 0, memoryview(bytearray(len(data))))
        temp.cut(len(data))
        with told_as_ours(path, syncing=True):
            files.sync(temp.handle)
    except SyncError:
        files.close(temp.handle)
        discard(files, temp.path)
        raise
    except BaseException:
        files.close(temp.handle)
        raise
    temp.close()
    if _read_back(files, temp.path, len(data)) != data:
        discard(files, temp.path)
        raise ReadBackError(path)
    return temp.path


def discard(files: Files, temp: str) -> None:
    """Remove a temporary file of ours; one that is gone, or stays, is no matter."""
    with suppress(OSError):
        files.unlink(temp)


def _sync_file(files: Files, path: str) -> None:
    with opened(files, path) as handle:
        files.sync(handle)


def _read_back(files: Files, path: str, length: int) -> bytes:
    with opened(files, path) as handle:
        files.drop_pages(handle)
        buffer = new_buffer(length + 1)
        return bytes(buffer[: fill(files, handle, buffer, 0, length)])


def _already_there(files: Files, path: str, data: bytes) -> bool:
    """Whether these very bytes stand under the final name; NameTakenError if others do."""
    try:
        there = files.stat(path)
    except FileNotFoundError:
        return False
    same = there.kind is EntryKind.FILE and there.size == len(data)
    if not same or _read_back(files, path, len(data)) != data:
        raise NameTakenError(path)
    return True


def make_folders(files: Files, root: str, relative: str, guard: Guard) -> None:
    """Make sure that a folder and all above it are there, durably.

    Every parent is synced even where nothing was missing: an earlier, interrupted run may have
    made the folder and died before its entry was on the medium.

    Args:
        files: the system.
        root: absolute; must be there.
        relative: below it, ``/`` between parts; empty is fine.
        guard: raises if the drive is not the one that was identified any more.

    Raises:
        NameTakenError: a file or link stands where a folder is wanted.
        BackupkeeperError: what the guard raised, or what kept the folder from the medium.
    """
    parts = [part for part in relative.split("/") if part]
    if {".", ".."} & set(parts):
        raise BrokenPromiseError(f"{relative} would lead out of {root}.")
    guard()
    parent = root.rstrip("/")
    for part in parts:
        path = f"{parent}/{part}"
        guard()  # again: a drive torn off between two folders leaves its empty mount point
        with told_as_ours(path):
            _make_folder(files, path)
        with told_as_ours(path, syncing=True):
            files.sync_folder(parent or "/")
        parent = path


def _make_folder(files: Files, path: str) -> None:
    try:
        files.make_folder(path)
    except OSError as error:
        if error.errno != errno.EEXIST:
            raise
        if files.stat(path).kind is not EntryKind.FOLDER:
            raise NameTakenError(path) from error
