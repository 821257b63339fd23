"""What a store says it has of an upload in parts; and which upload of another machine's to go on with.

Promises:
1. A list that breaks its own rules is an error, never half believed.
2. Of an upload that another machine is said to have begun only a list is asked for. Nothing is changed,
   and one that can't be listed is passed over.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, Final

from backupkeeper.cloud.checks import EXTRAS
from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS, code_and_status, translated
from backupkeeper.core.errors import BackupkeeperError, ListingError
from backupkeeper.core.parts import part_count
from backupkeeper.core.uploads import Begun, Listed, can_take_up

GONE: Final = frozenset({"NoSuchUpload", "NoSuchKey"})
"""How stores say that they do not know an upload (SEEN section 1)."""
_ASKED_ABOUT: Final = 4
"""So many uploads of others are asked about for one file."""


def listed_parts(store: Store, path: str, upload: str) -> dict[int, Listed] | None:
    """The parts that the store says it has, by number; None: it does not know the upload.

    Args:
        store: The bucket.
        path: Path of the object that is to be.
        upload: Id of the upload.

    Raises:
        ListingError: The list breaks its own rules.
        BucketUnreachableError: The store could not be asked.
    """
    asked: dict[str, Any] = store.at(path) | {"UploadId": upload}
    found: dict[int, Listed] = {}
    while True:
        try:
            answer: dict[str, Any] = dict(store.client.list_parts(**asked))
        except LIBRARY_ERRORS as error:
            if code_and_status(error)[0] in GONE:
                return None
            raise translated(error, store.where, path) from error
        for item in answer.get("Parts", []):
            part = _listed(path, item)
            found[part.number] = part
        if answer.get("IsTruncated") is not True:
            return found
        marker = answer.get("NextPartNumberMarker")
        if not isinstance(marker, int) or marker <= asked.get("PartNumberMarker", 0):
            raise _bad_list(path)
        asked["PartNumberMarker"] = marker


def fitting_parts(store: Store, path: str, begun: Begun, *, size: int) -> dict[int, Listed] | None:
    """The parts that are there of an upload; None: it is gone, or holds parts that no such file has."""
    listed = listed_parts(store, path, begun.upload)
    most = part_count(size, begun.part_bytes)
    if listed is None or not all(1 <= number <= most for number in listed):
        return None
    return listed


def furthest(
    store: Store, path: str, others: Sequence[Begun], *, size: int, check: str | None
) -> tuple[Begun, Mapping[int, Listed]] | None:
    """Of uploads that others are said to have begun the one of which most is there; None: none is.

    Args:
        store: The bucket.
        path: Path of the object that is to be.
        others: What is said.
        size: Bytes of the file.
        check: The ``x-amz-checksum-*`` with which parts are sent now.
    """
    best: tuple[Begun, Mapping[int, Listed]] | None = None
    most = -1
    usable = [one for one in others if can_take_up(one, size=size, check=check)]
    for begun in usable[:_ASKED_ABOUT]:
        listed = None
        with suppress(BackupkeeperError):  # an id that is none may be answered with anything
            listed = fitting_parts(store, path, begun, size=size)
        there = sum(part.size for part in (listed or {}).values())
        if listed is not None and there > most:
            best, most = (begun, listed), there
    return best


def _listed(path: str, item: Mapping[str, Any]) -> Listed:
    number, size, etag = item.get("PartNumber"), item.get("Size"), item.get("ETag")
    if not isinstance(number, int) or not isinstance(size, int) or not isinstance(etag, str):
        raise _bad_list(path)
    checks = {name: str(item[name]) for name in EXTRAS.values() if name in item}
    told = item.get("LastModified")
    at = told.astimezone(UTC) if isinstance(told, datetime) and told.tzinfo else None
    return Listed(number=number, size=size, etag=etag.strip('"'), checks=checks, at=at)


def _bad_list(path: str) -> ListingError:
    return ListingError(f"The list of parts of {path} can't be believed.")
