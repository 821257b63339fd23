"""What somebody without credentials gets: the only thing that shows whether a bucket is public.

Promises:
1. Only the very bytes of our scratch object count. A login page that answers 200 to everything makes no
   bucket public, and none private.
2. A no counts only where our object was still there afterwards: another machine that tries the same
   bucket may have removed it, or put its own there.
"""

from typing import Any, Final

from botocore import UNSIGNED
from botocore.config import Config
from botocore.exceptions import ClientError

from backupkeeper.cloud.bodies import body_of, hold_bodies
from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import code_and_status
from backupkeeper.cloud.session import session_of
from backupkeeper.cloud.unreadable import tell_unreadable

_NOT_FOUND: Final = 404


def read_by_anybody(store: Store, path: str, data: bytes, *, start: bytes) -> bool | None:
    """Whether an object can be read without credentials; None: it did not stay there meanwhile.

    Args:
        store: The bucket.
        path: A scratch object.
        data: What it was just made to hold, and nobody else puts there.
        start: What all that any machine of ours puts there begins with.

    Raises:
        BackupkeeperError: The store can't be reached, or does not let us read what we put there.
    """
    with store.asking(path):
        try:
            if body_of(_stranger(store), store.at(path), len(data) + 1) == data:
                return True
        except ClientError:
            pass
        try:
            held = body_of(store.client, store.at(path), len(data) + 1)
        except ClientError as error:
            if code_and_status(error)[1] != _NOT_FOUND:
                raise
            return None
        if not held.startswith(start):
            raise store.no_store("bytes that nobody put there")  # a login page in the way
        return False if held == data else None


def _stranger(store: Store) -> Any:  # noqa: ANN401 - boto3's client, made for one call
    meta = store.client.meta
    session = session_of(store.where.profile)
    client = session.client(
        "s3",
        endpoint_url=meta.endpoint_url,
        region_name=meta.region_name,
        config=meta.config.merge(Config(signature_version=UNSIGNED)),
    )
    tell_unreadable(client)
    hold_bodies(client)
    return client
