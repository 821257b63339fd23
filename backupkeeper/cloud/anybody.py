"""What somebody without credentials gets: the only thing that shows whether a bucket is public.

Promise: only the very bytes of our scratch object count. A login page that
answers 200 to everything makes no bucket public, and none private.
"""

from typing import Any

from botocore import UNSIGNED
from botocore.config import Config
from botocore.exceptions import ClientError

from backupkeeper.cloud.client import Store
from backupkeeper.cloud.session import session_of


def read_by_anybody(store: Store, path: str, data: bytes) -> bool:
    """Whether an object can be read without credentials.

    Args:
        store: The bucket.
        path: A scratch object.
        data: What it holds.

    Raises:
        BackupkeeperError: The store can't be reached.
    """
    with store.asking(path):
        try:
            answer = _stranger(store).get_object(**store.at(path))
        except ClientError:
            return False
        return bool(answer["Body"].read(len(data) + 1) == data)


def _stranger(store: Store) -> Any:  # noqa: ANN401 - boto3's client, made for one call
    meta = store.client.meta
    session = session_of(store.where.profile)
    return session.client(
        "s3",
        endpoint_url=meta.endpoint_url,
        region_name=meta.region_name,
        config=meta.config.merge(Config(signature_version=UNSIGNED)),
    )
