"""After a failure at the very end of an upload: whether the object came into being all the same.

Promise: it counts as ours only if it carries the ticket of this upload.
"""

from dataclasses import dataclass
from typing import Final

from botocore.exceptions import ClientError

from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.client import Head, Store
from backupkeeper.cloud.errors import cause_of, code_and_status, failure, translated
from backupkeeper.cloud.shelves import see_class
from backupkeeper.core.errors import (
    BackupkeeperError,
    BucketUnreachableError,
    NameTakenError,
    UploadLostError,
)

_UNSURE: Final = {
    Cause.CUT_OFF,
    Cause.TIMEOUT,
    Cause.BROKEN_STORE,
    Cause.BUSY,
    Cause.NOT_A_STORE,
    Cause.UPLOAD_LOST,
    Cause.NO_OBJECT,
    Cause.NO_ANSWER,
    Cause.NO_NAME,
    Cause.NAME_TAKEN,
    Cause.RACE,
}
"""After these the object may stand there all the same, put there by a request whose answer is lost."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """What was asked of the store: to put an object there, in one piece or of parts."""

    store: Store
    path: str
    ticket: str
    storage_class: str
    in_parts: bool


def arrived_anyway(asked: Asked, error: Exception, old: Head | None) -> str | None:
    """The version of our object if it stands there all the same.

    Args:
        asked: What was asked.
        error: What came of it.
        old: What stood there before.

    Raises:
        BackupkeeperError: It does not; the failure, told as one of ours.
    """
    store, path = asked.store, asked.path
    told = translated(error, store.where, path)
    if cause_of(error) not in _UNSURE:
        see_class(store, path, asked.storage_class, error)
        raise told from error
    try:
        head = store.head(path)
    except BucketUnreachableError:
        raise told from error
    if head is None or head == old:
        raise _nothing_there(asked, error, told) from error
    if head.ticket != asked.ticket:
        raise NameTakenError(path) from error
    return head.entry.version


def _nothing_there(asked: Asked, error: Exception, told: BackupkeeperError) -> BackupkeeperError:
    cause = cause_of(error)
    code, _ = code_and_status(error)
    if cause is Cause.RACE and asked.in_parts:
        # A store that sees two writers wants all parts again (STANDARDS section 7.5).
        return UploadLostError(told.message, advice=told.advice)
    if cause is Cause.NAME_TAKEN:
        return failure(Cause.RACE, asked.store.where, path=asked.path)
    if isinstance(error, ClientError) and cause is Cause.NO_OBJECT:
        return failure(Cause.UPLOAD_LOST, asked.store.where, path=asked.path, detail=code)
    return told
