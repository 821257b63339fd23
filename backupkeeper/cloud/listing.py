"""What stands in a bucket, page by page, not believed before it was looked at.

Promises:
1. Entries come in strictly rising byte order of keys, from below the prefix, each with a size: a
   listing that breaks this, never ends or can't be read is a ``ListingError``.
2. Objects whose key stands for no path are left out: this program can't have put them there.
"""

from collections.abc import Iterator
from typing import Any

from botocore.exceptions import ClientError
from botocore.parsers import ResponseParserError

from backupkeeper.cloud.client import Store, shelf_of
from backupkeeper.cloud.errors import LIBRARY_ERRORS, is_web_page, translated
from backupkeeper.cloud.keys import path_of, start_of_keys
from backupkeeper.core.errors import ListingError
from backupkeeper.ports.bucket import ObjectEntry


def listed(store: Store, below: str) -> Iterator[ObjectEntry]:
    """Entries of all objects whose path starts with ``below``.

    Args:
        store: The bucket.
        below: Start of a path; empty for all.

    Yields:
        Entries in byte order of their keys. ``version`` is None: a listing does not say it.

    Raises:
        ListingError: The listing breaks its own rules.
        BucketUnreachableError: The store could not be asked.
    """
    root = f"{store.prefix}/" if store.prefix else ""
    start = root + start_of_keys(below)
    previous = b""
    for page in _pages(store, start):
        for item in page:
            key = item.get("Key")
            if not isinstance(key, str) or not key.startswith(start):
                raise ListingError(f"The listing of {store.bucket} names what was not asked for.")
            raw = key.encode("utf-8", "replace")
            if raw <= previous:
                raise ListingError(f"The listing of {store.bucket} is not in order, or repeats.")
            previous = raw
            path = path_of(key.removeprefix(root))
            if path is not None and path.startswith(below):
                yield _entry(store, path, item)


def _entry(store: Store, path: str, item: dict[str, Any]) -> ObjectEntry:
    size, etag = item.get("Size"), item.get("ETag")
    if not isinstance(size, int) or size < 0 or not isinstance(etag, str):
        raise ListingError(f"The listing of {store.bucket} gives {path!r} no size or no ETag.")
    return ObjectEntry(
        key=path, size=size, version=None, etag=etag.strip('"'), shelf=shelf_of(item)
    )


def _pages(store: Store, start: str) -> Iterator[list[dict[str, Any]]]:
    # boto3 asks for EncodingType=url by itself and decodes the keys.
    asked: dict[str, Any] = {"Bucket": store.bucket, "Prefix": start}
    while True:
        try:
            answer: dict[str, Any] = dict(store.client.list_objects_v2(**asked))
        except ResponseParserError as error:
            raise _unreadable(store) from error
        except LIBRARY_ERRORS as error:
            if isinstance(error, ClientError) and _is_unread_page(error) and not is_web_page(error):
                raise _unreadable(store) from error
            raise translated(error, store.where) from error
        if not isinstance(answer.get("IsTruncated"), bool):
            raise store.no_store("a listing without an end")
        yield answer.get("Contents", [])
        if not answer["IsTruncated"]:
            return
        token = answer.get("NextContinuationToken")
        if not token or token == asked.get("ContinuationToken"):
            raise ListingError(f"The listing of {store.bucket} says that it goes on, but not how.")
        asked["ContinuationToken"] = token


def _is_unread_page(error: ClientError) -> bool:
    # boto3 turns a page with status 200 that is no XML into an error without a code.
    code = error.response.get("Error", {}).get("Code", "")
    status = error.response.get("ResponseMetadata", {}).get("HTTPStatusCode", 0)
    return status == 500 and code in {"", "200", "500"}  # noqa: PLR2004 - see above


def _unreadable(store: Store) -> ListingError:
    return ListingError(
        f"The listing of {store.bucket} can't be read.",
        advice="An object whose name holds control characters does this to some stores.",
    )
