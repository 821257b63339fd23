"""The name of a damaged file given to the one that was made whole, the damaged one set aside.

Promises:
1. The damaged file is set aside before, by a second name where the file system knows such, else by a
   copy; the name changes hands in one step. At every instant it is the old file's or the new one's.
2. What somebody wrote to, or put in its place, since it was read is not replaced.
"""

import errno
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from backupkeeper.core.errors import BackupkeeperError, NameTakenError, SourceChangedError
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.files import Files, Stat
from backupkeeper.transfer.blocks import opened_blocks
from backupkeeper.transfer.coldpolicy import ColdKind
from backupkeeper.transfer.durable import (
    Guard,
    TempFile,
    discard,
    make_folders,
    temp_name,
    told_as_ours,
    write_small,
)
from backupkeeper.transfer.failures import ONE_FILE
from backupkeeper.transfer.mending import Patient
from backupkeeper.transfer.ring import new_buffer

NO_LINKS: Final = frozenset(
    {errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EINVAL, errno.EXDEV}
)
"""Answers to ``link`` that mean: this file system has no second names (or no more of them)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Aside:
    """Where a damaged file is kept. ``root`` is the drive's, ``folder`` relative to it."""

    root: str
    folder: str
    name: str
    note: bytes
    """What is written beside it, as ``note.json``."""


def put_in_place(
    files: Files, patient: Patient, before: Stat | None, aside: Aside, guard: Guard
) -> bool:
    """Set the damaged file aside and give its name to the one that was made whole.

    Args:
        files: the system.
        patient: whose temporary file was made and read back.
        before: its entry then: what somebody wrote to since is not replaced.
        aside: where the damaged one goes.
        guard: raises if the drive is not the one that was identified any more.

    Returns:
        Whether all of the damaged file could be kept (False: what could not be read of it are zeros).

    Raises:
        NameTakenError: something stands where it should go aside.
        SourceChangedError: somebody wrote to the damaged file meanwhile.
        DeviceError, OutOfReachError: the drive does not take it; the name is still the old file's.
    """
    temp = temp_name(patient.path)
    _must_be_as(files, patient, before)
    make_folders(files, aside.root, aside.folder, guard)
    where = f"{aside.root.rstrip('/')}/{aside.folder}"
    is_whole = _keep(files, patient, f"{where}/{aside.name}", guard)
    write_small(files, f"{where}/note.json", aside.note, guard)
    try:
        files.set_times(temp, patient.mtime_ns)
    except OSError as error:
        if error.errno not in ONE_FILE | {errno.EOVERFLOW}:
            with told_as_ours(patient.path):
                raise
        # A time that this file system can't hold is no reason to go without the bytes.
    guard()
    _must_be_as(files, patient, before)
    with told_as_ours(patient.path):
        files.rename_over(temp, patient.path)
    with told_as_ours(patient.path, syncing=True):
        files.sync_folder(patient.path.rpartition("/")[0] or "/")
    return is_whole


def _must_be_as(files: Files, patient: Patient, before: Stat | None) -> None:
    """That nobody wrote to the damaged file, or put another one there, while it was mended."""
    with told_as_ours(patient.path):
        now = files.stat(patient.path)
    # A program behind FUSE may number its files anew at any time.
    counts = patient.cold.kind is ColdKind.KERNEL
    if before is None or _marks(before, counts=counts) != _marks(now, counts=counts):
        raise SourceChangedError(patient.path, how="was written to while it was mended")


def _marks(stat: Stat, *, counts: bool) -> tuple[object, ...]:
    return stat.kind, stat.size, stat.mtime_ns, stat.inode if counts else 0


def _keep(files: Files, patient: Patient, kept: str, guard: Guard) -> bool:
    guard()
    try:
        files.link(patient.path, kept)
    except OSError as error:
        if error.errno not in NO_LINKS:
            with told_as_ours(kept):
                raise
        return _copy(files, patient, kept, guard)
    with told_as_ours(kept, syncing=True):
        files.sync_folder(kept.rpartition("/")[0])
    return True


def _copy(files: Files, patient: Patient, kept: str, guard: Guard) -> bool:
    """A copy of the damaged file, as far as it can be read, durable."""
    with told_as_ours(kept):
        temp = TempFile(files, kept)
    try:
        with opened_blocks(files, patient.path, patient.cold) as own:
            scratch = new_buffer(BLOCK_BYTES)
            for number in range(-(-own.size // BLOCK_BYTES)):
                data = own.read(number)
                with told_as_ours(kept):
                    temp.put(data, number * BLOCK_BYTES, scratch)
            with told_as_ours(kept):
                temp.cut(own.size)
            with told_as_ours(kept, syncing=True):
                files.sync(temp.handle)
            is_whole, mtime_ns = not own.unreadable, own.mtime_ns
    except BackupkeeperError:
        with suppress(OSError):
            temp.close()
        discard(files, temp.path)
        raise
    with told_as_ours(kept):
        temp.close()
        with suppress(OSError):
            files.set_times(temp.path, mtime_ns)
    guard()
    try:
        files.rename_new(temp.path, kept)
    except OSError as error:
        discard(files, temp.path)
        if error.errno == errno.EEXIST:
            raise NameTakenError(kept) from error
        with told_as_ours(kept):
            raise
    with told_as_ours(kept, syncing=True):
        files.sync_folder(kept.rpartition("/")[0])
    return is_whole
