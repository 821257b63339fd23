"""Removing a snapshot of a catalog that need not stay: the one thing that is ever removed for good.

Promises:
1. Nothing but a snapshot can be removed: its key says that it is one.
2. Not being allowed to, or getting no answer, is no error.
"""

from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS
from backupkeeper.core.age import SUFFIX
from backupkeeper.core.errors import BrokenPromiseError
from backupkeeper.core.snapshots import FOLDER, snapshot_name


def drop_snapshot(store: Store, key: str) -> bool:
    """Remove it; whether the store said that it did.

    Raises:
        BrokenPromiseError: the key is no snapshot's.
    """
    folder, _, name = key.rpartition("/")
    if folder != FOLDER or snapshot_name(name.removesuffix(SUFFIX)) is None:
        raise BrokenPromiseError(f"{key} is no snapshot, so it is not removed.")
    try:
        store.client.delete_object(**store.at(key))
    except LIBRARY_ERRORS:
        return False
    return True
