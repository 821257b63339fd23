"""Saying it plainly where a store refuses the storage class, or pays no heed to it."""

from typing import Final

from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import code_and_status
from backupkeeper.core.errors import UsageError

_USUAL: Final = "STANDARD"
_NO_SUCH_CLASS: Final = {
    "InvalidStorageClass",
    "InvalidArgument",
    "InvalidRequest",
    "NotImplemented",
}
"""Codes that a storage class which the store has not may be answered with."""


def see_class(store: Store, path: str, storage_class: str, error: BaseException) -> None:
    """Tell a refusal as one of the storage class, where it may be.

    Args:
        store: The bucket.
        path: Path of the object that was to be.
        storage_class: The one that was asked for; empty: none.
        error: What the store answered.

    Raises:
        UsageError: It may be.
    """
    code, _ = code_and_status(error)
    if storage_class and code in _NO_SUCH_CLASS:
        raise UsageError(
            f"The bucket {store.bucket} does not take {path} in the storage class "
            f"{storage_class} ({code}).",
            advice="Name one that it has under [upload] storage_class or [[upload.classes]], or "
            "none.",
        ) from error


def other_class(asked: str, shelf: str) -> str:
    """The class in which an object came into being, where another one was asked for; else empty.

    A HEAD names every class but ``STANDARD`` (the documents of S3 on HeadObject; radosgw 16.2 names
    all).
    """
    stands = shelf or _USUAL
    return stands if asked and stands != asked else ""
