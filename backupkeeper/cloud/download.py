"""An object, or a span of it, on its way back, block by block.

Promises:
1. Every request asks for the very object that was looked at first (version, ETag); another one is
   never mixed in.
2. A connection that breaks is taken up where it was, as long as that brings any on: what has
   arrived is not asked for again, but for a piece of ``_PIECE`` bytes at most.
3. Exactly as many bytes come as were wanted, or an error; no others are asked for. An answer that
   announces others is given up before its body is read.
"""

from collections.abc import Generator
from typing import Any

from backupkeeper.cloud.bodies import given_up
from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS, cause_of, failure, translated
from backupkeeper.core.errors import BrokenPromiseError, SourceChangedError
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.bucket import ObjectEntry

_FRUITLESS = 5
"""So many connections may break one after the other and bring too little on."""
_BRINGS_ON = 64 * 1024
"""A connection that brought so many bytes was of use."""
_PIECE = 256 * 1024
"""Bytes that are taken from the connection at once: what the library holds when it breaks is lost."""
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
        Blocks of ``BLOCK_BYTES`` counted from ``start``, the last may be shorter; none where
        nothing is wanted.

    Raises:
        SourceChangedError: Another object stands there now.
        BucketUnreachableError: It could not be fetched.
        BrokenPromiseError: The span does not lie within the object.
    """
    last = entry.size if end is None else end
    if not 0 <= start <= last <= entry.size:
        raise BrokenPromiseError(f"Bytes {start:,} to {last:,} are not within {path!r}.")
    span = _Span(store, path, entry, version or entry.version, start, last)
    try:
        for at in range(start, last, BLOCK_BYTES):
            block = memoryview(bytearray(min(BLOCK_BYTES, last - at)))
            span.fill(block)
            yield block
    finally:
        span.close()


class _Span:
    """A span of bytes, over as many connections as it takes."""

    def __init__(
        self,
        store: Store,
        path: str,
        entry: ObjectEntry,
        version: str | None,
        start: int,
        end: int,
    ) -> None:
        self._store = store
        self._path = path
        self._entry = entry
        self._at = start
        self._end = end
        self._useful_at = start
        self._fruitless = 0
        self._asked: dict[str, Any] = store.at(path) | {"IfMatch": f'"{entry.etag}"'}
        if version:
            self._asked["VersionId"] = version
        self._body: Any = None

    def fill(self, block: memoryview) -> None:
        """Take the next bytes."""
        filled = 0
        while filled < len(block):
            try:
                if self._body is None:
                    self._open()
                piece: bytes = self._body.read(min(_PIECE, len(block) - filled))
                if not piece:
                    raise ConnectionError("fewer bytes came than were announced")
            except LIBRARY_ERRORS as error:
                self._broken(error)
                continue
            block[filled : filled + len(piece)] = piece
            filled += len(piece)
            self._at += len(piece)

    def close(self) -> None:
        """Give the connection up."""
        if self._body is not None:
            self._body.close()
            self._body = None

    def _open(self) -> None:
        """Ask for what is missing, and take no answer that brings anything else."""
        is_part = (self._at, self._end) != (0, self._entry.size)
        span = f"bytes {self._at}-{self._end - 1}/{self._entry.size}"
        ranged = {"Range": f"bytes={self._at}-{self._end - 1}"} if is_part else {}
        asked: dict[str, Any] = self._asked | ranged
        with given_up():
            answer: dict[str, Any] = dict(self._store.client.get_object(**asked))
        self._body = answer["Body"]
        if not answer.get("ETag") and self._fruitless + 1 < _FRUITLESS:
            # The library takes headers that break off for all of them.
            raise ConnectionError("no whole answer came")
        if self._store.etag(answer) != self._entry.etag:
            raise SourceChangedError(self._path)
        if answer.get("ContentLength") != self._end - self._at or (
            is_part and answer.get("ContentRange") != span
        ):
            raise failure(
                Cause.NOT_OFFERED, self._store.where, path=self._path, detail="a wrong byte range"
            )

    def _broken(self, error: Exception) -> None:
        """After a connection broke: whether to go on.

        Raises:
            BackupkeeperError: There is no use in it.
        """
        self.close()
        came = self._at - self._useful_at
        self._useful_at = self._at
        self._fruitless = 0 if came >= _BRINGS_ON else self._fruitless + 1
        cause = cause_of(error)
        if cause is Cause.NAME_TAKEN:  # 412: If-Match says that it is another one now
            raise SourceChangedError(self._path) from error
        if cause not in _AGAIN or self._fruitless >= _FRUITLESS:
            raise translated(error, self._store.where, self._path) from error
