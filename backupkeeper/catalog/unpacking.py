"""A snapshot of unknown making, unpacked onto the local disk within limits.

Promises:
1. Memory is constant, and what is written is bounded: by ``MOST_BYTES``, by ``MOST_RATIO`` times what
   came in, and by the room on the disk, of which ``SPARE_BYTES`` stay.
2. A snapshot that is cut off, or other than its name's digest says, is refused.
3. Only ``SnapshotError`` and ``CatalogError`` (the local disk) leave, and what ``chunks`` raises.

Source of the format: RFC 8878 (Zstandard).
"""

import os
from collections.abc import Iterable, Iterator
from typing import Final

import zstandard
from blake3 import blake3

from backupkeeper.catalog.faults import told
from backupkeeper.catalog.theirs import theirs, untouched
from backupkeeper.core.errors import SnapshotError
from backupkeeper.core.model import Blake3

MOST_BYTES: Final = 16 << 30
"""Of an unpacked catalog; two million files and ten years come to 2.2 GB, in older schemas 3 GB."""
MOST_RATIO: Final = 100
"""Our own come to less than 10, but for an almost empty one."""
FREE_OF_RATIO_BYTES: Final = 64 << 20
SPARE_BYTES: Final = 256 << 20
WINDOW_BYTES: Final = 1 << 27
CHUNK_BYTES: Final = 1 << 20
_HEADER_BYTES: Final = 18
"""The longest header of a frame (RFC 8878, section 3.1.1)."""


class _Source:
    """What comes in, as the decompressor wants it; counts and hashes on the way."""

    def __init__(self, chunks: Iterable[memoryview]) -> None:
        self._chunks: Iterator[memoryview] = iter(chunks)
        self._left = b""
        self.state = blake3()
        self.count = 0

    def _fill(self, size: int) -> None:
        while len(self._left) < size:
            chunk = next(self._chunks, None)
            if chunk is None:
                return
            self.state.update(chunk)
            self.count += len(chunk)
            self._left += bytes(chunk)

    def peek(self, size: int) -> bytes:
        """The next bytes; they come again."""
        self._fill(size)
        return self._left[:size]

    def read(self, size: int = CHUNK_BYTES) -> bytes:
        """Up to so many bytes; none at the end."""
        self._fill(1)
        taken, self._left = self._left[:size], self._left[size:]
        return taken

    def drain(self) -> None:
        """Read to the end, for the digest."""
        while self.read():
            pass


def unpack(chunks: Iterable[memoryview], target: str, digest: Blake3 | None) -> None:
    """Write the SQLite file that a snapshot holds.

    Args:
        chunks: its compressed bytes; each view is only used until the next.
        target: a file of our own on the local disk; what stands there is written over.
        digest: BLAKE3 of the compressed bytes where it is known.

    Raises:
        SnapshotError: it is none, is damaged, or would become too large.
        CatalogError: the local disk is full or fails.
    """
    with untouched(), told(target):
        source = _Source(theirs(chunks))
        try:
            size = _size(source.peek(_HEADER_BYTES))
            _write(source, target, size)
        except zstandard.ZstdError as error:
            raise SnapshotError(f"It can't be unpacked ({_plain(error)}).") from error
        source.drain()
        if digest is not None and source.state.hexdigest() != digest:
            raise SnapshotError("Its bytes are not those that were written.")


def copy_plain(chunks: Iterable[memoryview], target: str) -> None:
    """Write a SQLite file that is not packed into one of our own, within the same limits.

    Args:
        chunks: its bytes; each view is only used until the next.
        target: a file of our own on the local disk; what stands there is written over.

    Raises:
        SnapshotError: it is too large.
        CatalogError: the local disk is full or fails.
    """
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC
    written = 0
    with untouched(), told(target), open(os.open(target, flags, 0o600), "wb", buffering=0) as out:
        for chunk in theirs(chunks):
            written += len(chunk)
            _keep_within(written, written, target)
            left = chunk
            while left:
                left = left[out.write(left) :]


def _plain(error: Exception) -> str:
    return str(error).replace("\n", " ")[:100]


def _size(header: bytes) -> int:
    size: int = zstandard.get_frame_parameters(header).content_size
    if size in {zstandard.CONTENTSIZE_UNKNOWN, zstandard.CONTENTSIZE_ERROR}:
        raise SnapshotError("It does not say how large it is.")
    if size > MOST_BYTES:
        raise SnapshotError(f"It would become {size:,} bytes.")
    return size


def _write(source: _Source, target: str, size: int) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC
    unpacker = zstandard.ZstdDecompressor(max_window_size=WINDOW_BYTES)
    written = 0
    # The protocol asks for more of the source than the library uses.
    reading = unpacker.stream_reader(source, read_size=CHUNK_BYTES)  # type: ignore[arg-type]
    with open(os.open(target, flags, 0o600), "wb", buffering=0) as out, reading as reader:
        while data := reader.read(CHUNK_BYTES):
            _keep_within(written + len(data), source.count, target)
            left = memoryview(data)
            while left:
                left = left[out.write(left) :]
            written += len(data)
    if written != size:
        raise SnapshotError(f"It is cut off: {written:,} of {size:,} bytes.")


def _keep_within(size: int, packed: int, target: str) -> None:
    if size > MOST_BYTES or size > FREE_OF_RATIO_BYTES + MOST_RATIO * packed:
        raise SnapshotError("It would become far too large.")
    room = os.statvfs(target)
    if room.f_bavail * room.f_frsize < SPARE_BYTES:
        raise SnapshotError("There is too little room on this machine's disk to look at it.")
