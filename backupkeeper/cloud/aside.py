"""A damaged object kept under another name before another one takes its place.

Promises:
1. The copy is made by the store itself, of the very object that was looked at; its bytes do not
   travel. By its version where the bucket keeps versions. Elsewhere the store is asked to see to
   it (``CopySourceIfMatch``), which many ignore without a word (SEEN section 1), so the object is
   looked at right before and right after as well.
2. The copy is looked at before its key is returned: as long as the object, and with its ETag where
   that can be compared. Nothing is ever copied over: the key holds the time and chance.
3. A copy is whole or not there: what was begun in parts and not finished is removed (one
   whose id was lost on its way here holds nothing). An answer that got lost is made up for by
   looking.
4. What ``send`` writes beside the bytes (metadata) stays with the copy.
"""

from contextlib import suppress
from datetime import datetime
from typing import Any, Final

from botocore.exceptions import ClientError

from backupkeeper.cloud.abandon import abandon
from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.client import Head, Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS, cause_of, failure
from backupkeeper.core.errors import (
    BackupkeeperError,
    NameTakenError,
    SourceChangedError,
    WriteError,
)
from backupkeeper.core.parts import GIBIBYTE, MEBIBYTE, part_bytes, part_count, size_of_part
from backupkeeper.ports.bucket import ObjectEntry

FOLDER: Final = ".backupkeeper/set-aside"
COPY_AT_ONCE: int = GIBIBYTE
"""The largest object that one request copies. Amazon S3 takes 5 GiB (STANDARDS section 7.1); a
smaller request is more surely answered before anybody's patience ends."""
COPY_PART: int = 512 * MEBIBYTE
"""Bytes of a part of a larger one, where the limits do not ask for more."""

_MD5_DIGITS: Final = 32
_OTHER: Final = "is not the object that was looked at"


def set_aside(
    store: Store,
    path: str,
    entry: ObjectEntry,
    *,
    now: datetime,
    ticket: str,
    etag_is_md5: bool = False,
) -> str:
    """Copy an object to where damaged ones are kept.

    Args:
        store: The bucket.
        path: Path of the object.
        entry: What a look at it said.
        now: The present time, for the copy's name.
        ticket: A random id, for the copy's name.
        etag_is_md5: Whether ETags here were seen to be MD5, and so stay the same in a copy.

    Returns:
        The copy's path, below ``FOLDER``.

    Raises:
        SourceChangedError: Another object stands there now, or none.
        NameTakenError: Something stands where the copy should go.
        BucketUnreachableError: The store could not be asked, or did not do it.
    """
    there = _very(store, path, entry)
    kept = _name(store, path, f"{FOLDER}/{now:%Y%m%dT%H%M%SZ}-{ticket[:8]}")
    if store.head(kept) is not None:
        raise NameTakenError(kept)
    source = _source(store, path, there.entry)
    try:
        with store.asking(kept):
            if entry.size <= COPY_AT_ONCE:
                store.client.copy_object(**store.at(kept), **source)
            else:
                _copy_in_parts(store, kept, there, source)
    except BackupkeeperError as error:
        # The answer may be lost and the copy there all the same; if looking fails, that is told.
        if store.head(kept) is None:
            raise _told(error, path) from error
    _check_copy(store, path, there, kept, etag_is_md5=etag_is_md5)
    return kept


def _source(store: Store, path: str, entry: ObjectEntry) -> dict[str, Any]:
    named = store.at(path) | ({"VersionId": entry.version} if entry.version else {})
    return {"CopySource": named, "CopySourceIfMatch": f'"{entry.etag}"'}


def _name(store: Store, path: str, folder: str) -> str:
    """The copy's path: with the whole path of the object, or as much of it as a key has room for."""
    for kept in (f"{folder}/{path}", f"{folder}/{path.rpartition('/')[2]}"):
        with suppress(WriteError):
            store.at(kept)
            return kept
    return f"{folder}/object"


def _very(store: Store, path: str, entry: ObjectEntry) -> Head:
    """What stands there, if it is the very object that was looked at."""
    there = store.head(path)
    if there is None or not there.entry.is_still(entry):
        raise SourceChangedError(path, how=_OTHER)
    return there


def _told(error: BackupkeeperError, path: str) -> BackupkeeperError:
    answer = error.__cause__
    if isinstance(answer, ClientError) and cause_of(answer) in {Cause.NAME_TAKEN, Cause.NO_OBJECT}:
        return SourceChangedError(path, how=_OTHER)  # 412 or 404: what was to be copied is gone
    return error


def _check_copy(store: Store, path: str, there: Head, kept: str, *, etag_is_md5: bool) -> None:
    made = store.head(kept)
    if made is None:
        detail = f"it took a copy of {path} and does not have it"
        raise failure(Cause.BROKEN_STORE, store.where, path=path, detail=detail)
    # A copy in parts has another ETag than an object in one piece, and the other way round.
    in_one_piece = there.entry.size <= COPY_AT_ONCE and len(there.entry.etag) == _MD5_DIGITS
    comparable = etag_is_md5 and in_one_piece
    if made.entry.size != there.entry.size or (comparable and made.entry.etag != there.entry.etag):
        _remove(store, made.entry)
        raise SourceChangedError(path, how=_OTHER)
    if (after := store.head(path)) is None or after != there:
        raise SourceChangedError(path, how=f"{_OTHER}; what was copied before is {kept}")


def _remove(store: Store, made: ObjectEntry) -> None:
    """Remove a copy of something else, made here a moment ago under a name of its own."""
    asked = store.at(made.key) | ({"VersionId": made.version} if made.version else {})
    with suppress(*LIBRARY_ERRORS):
        store.client.delete_object(**asked)


def _copy_in_parts(store: Store, kept: str, there: Head, source: dict[str, Any]) -> None:
    # Unlike a copy at once, one in parts takes along only what it is given.
    begun = store.client.create_multipart_upload(**store.at(kept), Metadata=_carried(there))
    if not (upload := begun.get("UploadId")):
        raise store.no_store("an upload without an id")
    try:
        with store.asking(kept):
            _copy_parts(store, kept, upload, there.entry.size, source)
    except BaseException as error:
        # KeyboardInterrupt included: nothing of ours is left behind, and it goes on its way.
        abandon(store, kept, upload, error)
        raise


def _copy_parts(store: Store, kept: str, upload: str, size: int, source: dict[str, Any]) -> None:
    part = part_bytes(size, usual=COPY_PART)
    asked: dict[str, Any] = store.at(kept) | {"UploadId": upload}
    parts: list[Any] = []
    for number in range(1, part_count(size, part) + 1):
        start = (number - 1) * part
        end = start + size_of_part(size, part, number)
        answer = store.client.upload_part_copy(
            **asked, **source, PartNumber=number, CopySourceRange=f"bytes={start}-{end - 1}"
        )
        made: dict[str, Any] = dict(answer.get("CopyPartResult", {}))
        parts.append({"PartNumber": number, "ETag": store.etag(made)})
    store.client.complete_multipart_upload(**asked, MultipartUpload={"Parts": parts})


def _carried(there: Head) -> dict[str, str]:
    """Metadata as it can be sent: boto3 takes only ASCII, and ``send`` writes nothing else."""
    return {
        name: value
        for name, value in there.metadata.items()
        if f"{name}{value}".isascii() and f"{name}{value}".isprintable()
    }
