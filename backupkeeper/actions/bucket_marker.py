"""The marker of a bucket: which place it is, for a machine that knows nothing of it yet.

It lies at the same path as a drive's, is written over only for another name, and is a claim like a
drive's.
"""

from backupkeeper.actions.encrypting_bucket import EncryptingBucket
from backupkeeper.actions.online import MARKER_PATH
from backupkeeper.core.errors import MarkerError
from backupkeeper.core.model import Place
from backupkeeper.drives.marker import MARKER_LIMIT_BYTES, Marker, decode_marker, encode_marker
from backupkeeper.ports.bucket import Bucket


def bucket_marker(bucket: Bucket) -> Marker | None:
    """The marker in a bucket, or None where there is none.

    Raises:
        MarkerError: there is one, and it can't be believed.
        BucketUnreachableError: the store does not answer, or refuses.
    """
    bucket = _as_it_is(bucket)
    entry = bucket.look(MARKER_PATH)
    if entry is None:
        return None
    if entry.size > MARKER_LIMIT_BYTES:
        raise MarkerError(f"The place's marker is longer than {MARKER_LIMIT_BYTES} bytes.")
    data = bytearray()
    for block in bucket.fetch(MARKER_PATH, version=entry.version):
        data += block
        if len(data) > MARKER_LIMIT_BYTES:
            raise MarkerError(f"The place's marker is longer than {MARKER_LIMIT_BYTES} bytes.")
    return decode_marker(bytes(data))


def _as_it_is(bucket: Bucket) -> Bucket:
    """The marker is never encrypted: who has no key must know whose bucket it is, too."""
    return bucket.inner if isinstance(bucket, EncryptingBucket) else bucket


def ensure_marker(bucket: Bucket, place: Place) -> None:
    """Write the marker where there is none (a bucket of an earlier version of this program).

    Raises:
        MarkerError: it carries another place's, or one that can't be believed.
        BucketUnreachableError: the store does not answer, or refuses.
    """
    there = bucket_marker(bucket)
    if there is None:
        marker = Marker(id=place.id, name=place.name, role=place.role, created=place.created_at)
        _as_it_is(bucket).send_small(MARKER_PATH, encode_marker(marker))
    elif there.id != place.id:
        raise MarkerError(
            f"{place.location} carries the marker of another place ({there.name}).",
            advice="Two machines took it in before it had one. Give each a prefix of its own.",
        )


def rename_marker(bucket: Bucket, place: Place) -> None:
    """Write the marker anew, with the name that the place has now.

    Raises:
        BucketUnreachableError: the store does not answer, or refuses.
    """
    marker = Marker(id=place.id, name=place.name, role=place.role, created=place.created_at)
    _as_it_is(bucket).send_small(MARKER_PATH, encode_marker(marker), replace=True)
