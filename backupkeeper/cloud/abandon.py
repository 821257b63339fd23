"""Giving up an upload in parts that was begun, so that nothing of it stays.

Promises:
1. It is tried more than once, and only an answer that the upload is gone counts.
2. Nothing is raised: who gives up has an error of their own to tell.
"""

from typing import Any, Final

from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS, code_and_status
from backupkeeper.core.errors import BackupkeeperError

_ABORTS: Final = 3
_GONE: Final = 404
"""NoSuchUpload, or NoSuchKey (SEEN section 1)."""
_LEFT_OVER: Final = (
    "An unfinished upload may be left in the bucket; a lifecycle rule that aborts "
    "incomplete uploads removes it."
)


def is_abandoned(store: Store, path: str, upload: str) -> bool:
    """Remove what was begun; whether it is known to be gone.

    Args:
        store: The bucket.
        path: Path of the object that was to be.
        upload: Id of the upload.
    """
    asked: dict[str, Any] = store.at(path) | {"UploadId": upload}
    for _ in range(_ABORTS):
        try:
            store.client.abort_multipart_upload(**asked)
            store.client.list_parts(**asked)
        except LIBRARY_ERRORS as answer:
            if code_and_status(answer)[1] == _GONE:
                return True
    return False


def abandon(store: Store, path: str, upload: str, error: BaseException | None) -> None:
    """Remove what was begun; where it may still be there, an error of ours says so.

    Args:
        store: The bucket.
        path: Path of the object that was to be.
        upload: Id of the upload.
        error: Why it is given up, if an error is why. Only the advice of one of ours is added to.
    """
    if not is_abandoned(store, path, upload) and isinstance(error, BackupkeeperError):
        error.advice = f"{error.advice} {_LEFT_OVER}".strip()
