"""Asking for an archived object to be thawed (S3 API, ``RestoreObject``).

Promises:
1. The very version that was looked at is asked for where the bucket keeps versions.
2. Asking twice costs once: what is under way already is no error.
"""

from typing import Any, Final

from botocore.exceptions import ClientError

from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS, code_and_status, translated
from backupkeeper.ports.bucket import ObjectEntry

_GOES_ON: Final = "RestoreAlreadyInProgress"
_BACK_FOR_GOOD: Final = frozenset({"ARCHIVE_ACCESS", "DEEP_ARCHIVE_ACCESS"})


def ask_to_thaw(store: Store, entry: ObjectEntry, *, tier: str, days: int) -> bool:
    """Ask for it; whether it was not asked for before.

    Args:
        store: The bucket.
        entry: What a look at the object said.
        tier: ``Bulk``, ``Standard`` or ``Expedited``: how urgently, at which price.
        days: For how many days the thawed copy is kept.

    Raises:
        BucketUnreachableError: The store could not be asked, or does not do it.
    """
    asked: dict[str, Any] = store.at(entry.key)
    if entry.version:
        asked["VersionId"] = entry.version
    wanted: Any = {"Days": days, "GlacierJobParameters": {"Tier": tier}}
    if entry.shelf in _BACK_FOR_GOOD:
        # What tiers itself comes back for good: days are refused then (S3 API, RestoreObject).
        wanted = {"GlacierJobParameters": {"Tier": tier}}
    try:
        store.client.restore_object(**asked, RestoreRequest=wanted)
    except ClientError as error:
        if code_and_status(error)[0] == _GOES_ON:
            return False
        raise translated(error, store.where, entry.key) from error
    except LIBRARY_ERRORS as error:
        raise translated(error, store.where, entry.key) from error
    return True
