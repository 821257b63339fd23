"""A damaged object kept under another name before another one takes its place.

Promises:
1. The copy is made by the store itself, of the very object that was looked at; nothing travels.
2. It is looked at afterwards, and no object is ever copied over.
3. What was begun and not finished is removed.
"""

from contextlib import suppress
from datetime import datetime
from typing import Any, Final

from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS
from backupkeeper.core.errors import NameTakenError, SourceChangedError
from backupkeeper.ports.bucket import ObjectEntry

FOLDER: Final = ".backupkeeper/set-aside"
COPY_AT_ONCE: Final = 5 * 1024**3
"""The largest object that one request copies (Amazon S3's limit, STANDARDS section 7.1)."""
PART_BYTES: Final = 1024**3


def set_aside(store: Store, path: str, entry: ObjectEntry, *, now: datetime, ticket: str) -> str:
    """Copy an object to where damaged ones are kept.

    Args:
        store: The bucket.
        path: Path of the object.
        entry: What a look at it said.
        now: The present time, for the copy's name.
        ticket: A random id, for the copy's name.

    Returns:
        The copy's path.

    Raises:
        SourceChangedError: Another object stands there now, or the copy is not as long as it.
        NameTakenError: Something stands where the copy should go.
        BucketUnreachableError: The store could not be asked, or did not do it.
    """
    name = path.rpartition("/")[2]
    kept = f"{FOLDER}/{now:%Y%m%dT%H%M%SZ}-{ticket[:8]}/{name}"
    _must_be(store, path, entry)
    if store.head(kept) is not None:
        raise NameTakenError(kept)
    source: dict[str, Any] = {
        "CopySource": store.at(path) | ({"VersionId": entry.version} if entry.version else {}),
        "CopySourceIfMatch": f'"{entry.etag}"',
    }
    if entry.size <= COPY_AT_ONCE:
        with store.asking(path):
            store.client.copy_object(**store.at(kept), **source)
    else:
        _in_parts(store, kept, entry.size, source)
    made = store.head(kept)
    if made is None or made.entry.size != entry.size:
        raise SourceChangedError(path, how="could not be copied whole")
    return kept


def _must_be(store: Store, path: str, entry: ObjectEntry) -> None:
    there = store.head(path)
    if there is None or (there.entry.etag, there.entry.size) != (entry.etag, entry.size):
        raise SourceChangedError(path, how="is not the object that was looked at")


def _in_parts(store: Store, kept: str, size: int, source: dict[str, Any]) -> None:
    with store.asking(kept):
        upload = store.client.create_multipart_upload(**store.at(kept))["UploadId"]
    asked: dict[str, Any] = store.at(kept) | {"UploadId": upload}
    try:
        parts: list[Any] = []
        with store.asking(kept):
            for number, start in enumerate(range(0, size, PART_BYTES), start=1):
                end = min(start + PART_BYTES, size)
                answer = store.client.upload_part_copy(
                    **asked,
                    **source,
                    PartNumber=number,
                    CopySourceRange=f"bytes={start}-{end - 1}",
                )
                parts.append({"PartNumber": number, "ETag": answer["CopyPartResult"]["ETag"]})
            store.client.complete_multipart_upload(**asked, MultipartUpload={"Parts": parts})
    except BaseException:
        with suppress(*LIBRARY_ERRORS):
            store.client.abort_multipart_upload(**asked)
        raise
