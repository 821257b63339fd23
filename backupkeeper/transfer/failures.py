"""What the system's error numbers mean to us: ``OSError`` in, one of our errors out.

Promise: nothing of ``OSError`` leaves ``transfer``; a number that speaks of the whole device is
told apart from one that speaks of one file (``ends_the_device``).
"""

import errno

from backupkeeper.core.errors import (
    SHORT,
    BackupkeeperError,
    DriveGoneError,
    NoSpaceError,
    ReadError,
    ReadOnlyError,
    SyncError,
    SystemShortError,
    WriteError,
)

GONE = frozenset(
    {
        errno.ENODEV,
        errno.ENXIO,
        errno.ENOMEDIUM,
        errno.ENOTCONN,
        errno.ESHUTDOWN,
        errno.ESTALE,
    }
)
"""The device, or the server or program behind a mount, does not answer any more."""
NO_SPACE = frozenset({errno.ENOSPC, errno.EDQUOT})
ONE_FILE = frozenset(
    {
        errno.EACCES,
        errno.EEXIST,
        errno.EFBIG,
        errno.EILSEQ,
        errno.EINVAL,
        errno.EISDIR,
        errno.ELOOP,
        errno.ENAMETOOLONG,
        errno.ENOENT,
        errno.ENOTDIR,
        errno.EPERM,
    }
)
"""These speak of one name or one file; the next file may well go through."""
NOT_DIRECT = frozenset({errno.EINVAL, errno.EOPNOTSUPP})
"""The file system does not know ``O_DIRECT``, or not like this."""


def read_failure(path: str, error: OSError) -> BackupkeeperError:
    """What a failed reading of ``path`` is to us."""
    number = error.errno or errno.EIO
    if number in GONE:
        return DriveGoneError("The device", path)
    if number in SHORT:
        return SystemShortError(path, number)
    return ReadError(path, number)


def write_failure(path: str, error: OSError, *, syncing: bool = False) -> BackupkeeperError:
    """What a failed writing (or syncing) of ``path`` is to us."""
    number = error.errno or errno.EIO
    if number in GONE:
        return DriveGoneError("The drive", path)
    if number in SHORT:
        return SystemShortError(path, number)
    if number in NO_SPACE:
        return NoSpaceError(path, number, advice="Make room on the drive or use another one.")
    if number == errno.EROFS:
        return ReadOnlyError(path, number, advice="Check the drive, then mount it for writing.")
    if syncing:
        return SyncError(path, number)
    advice = "The drive can't hold a file of this size." if number == errno.EFBIG else ""
    return WriteError(path, number, advice=advice)


def ends_the_device(error: OSError) -> bool:
    """Whether the rest of the files need not be tried either."""
    return error.errno not in ONE_FILE
