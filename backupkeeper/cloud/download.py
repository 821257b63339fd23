"""An object on its way back, block by block.

Promises:
1. Every request asks for the very object that was looked at first (version, ETag); another one is
   never mixed in.
2. A connection that breaks is taken up at the last whole block, as long as that brings any on.
3. Exactly as many bytes come as the entry said, or an error.
"""

from collections.abc import Generator
from typing import Any

from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS, cause_of, failure, translated
from backupkeeper.core.errors import SourceChangedError
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.bucket import ObjectEntry

_FRUITLESS = 5
"""So many connections may break one after the other without a block in between."""
_AGAIN = {Cause.CUT_OFF, Cause.TIMEOUT}


def fetched(
    store: Store,
    path: str,
    entry: ObjectEntry,
    *,
    version: str | None,
    start: int = 0,
    end: int | None = None,
) -> Generator[memoryview, None, None]:
    """The bytes of an object, or some of them.

    Args:
        store: The bucket.
        path: Path of the object.
        entry: What a look at it said.
        version: The version that was asked for, or None for the newest (then the entry's).
        start: First byte that is wanted.
        end: The byte after the last one; None for all.

    Yields:
        Blocks of ``BLOCK_BYTES``, the last may be shorter; none where nothing is wanted.

    Raises:
        SourceChangedError: Another object stands there now.
        BucketUnreachableError: It could not be fetched.
    """
    reached, fruitless = start, 0
    last = entry.size if end is None else min(end, entry.size)
    while reached < last:
        before = reached
        stream = _Stream(store, path, entry, version or entry.version, (reached, last))
        try:
            for block in stream.blocks():
                reached += len(block)
                yield memoryview(block)
        except LIBRARY_ERRORS as error:
            fruitless = 0 if reached > before else fruitless + 1
            if cause_of(error) not in _AGAIN or fruitless >= _FRUITLESS:
                raise _ended(error, store, path) from error
        finally:
            stream.close()


def _ended(error: Exception, store: Store, path: str) -> Exception:
    if cause_of(error) is Cause.NAME_TAKEN:  # 412: If-Match says that it is another one now
        return SourceChangedError(path)
    return translated(error, store.where, path)


class _Stream:
    """One GET of a span of bytes."""

    def __init__(
        self,
        store: Store,
        path: str,
        entry: ObjectEntry,
        version: str | None,
        span: tuple[int, int],
    ) -> None:
        self._store = store
        self._path = path
        self._entry = entry
        self._start, self._end = span
        self._is_part = span != (0, entry.size)
        self._asked: dict[str, Any] = store.at(path) | {"IfMatch": f'"{entry.etag}"'}
        if version:
            self._asked["VersionId"] = version
        if self._is_part:
            self._asked["Range"] = f"bytes={self._start}-{self._end - 1}"
        self._body: Any = None

    def blocks(self) -> Generator[bytes, None, None]:
        """Whole blocks, the last may be shorter."""
        answer: dict[str, Any] = dict(self._store.client.get_object(**self._asked))
        self._body = answer["Body"]
        if self._store.etag(answer) != self._entry.etag:
            raise SourceChangedError(self._path)
        left = self._end - self._start
        span = f"bytes {self._start}-{self._end - 1}/{self._entry.size}"
        if answer.get("ContentLength") != left or (
            self._is_part and answer.get("ContentRange") != span
        ):
            raise failure(
                Cause.NOT_OFFERED, self._store.where, path=self._path, detail="a wrong byte range"
            )
        while left:
            block = self._body.read(min(BLOCK_BYTES, left))
            if len(block) < min(BLOCK_BYTES, left):
                raise ConnectionError("fewer bytes came than were announced")
            left -= len(block)
            yield block

    def close(self) -> None:
        """Give the connection up."""
        if self._body is not None:
            self._body.close()
