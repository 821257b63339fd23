"""Single blocks of a file, from the medium where that can be had.

Promises:
1. Of each block the first reading comes from the medium, as ``coldread`` knows it; to read it from
   there once more, open the file once more.
2. What the device can't give is told to the sector; zeros stand in its place.
"""

from collections.abc import Callable, Generator, Iterable
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field

import xxhash

from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.core.ranges import Ranges, merged
from backupkeeper.ports.files import Files
from backupkeeper.transfer.coldpolicy import ColdPolicy
from backupkeeper.transfer.coldread import ColdReader
from backupkeeper.transfer.failures import read_failure
from backupkeeper.transfer.ring import new_buffer
from backupkeeper.transfer.salvage import Salvage


class Blocks:
    """One open file, block by block. ``size`` bytes, last written to at ``mtime_ns``."""

    def __init__(
        self,
        path: str,
        salvage: Salvage,
        *,
        size: int,
        mtime_ns: int,
    ) -> None:
        self._path = path
        self._salvage = salvage
        self._buffer = new_buffer(BLOCK_BYTES)
        self.size = size
        self.mtime_ns = mtime_ns

    @property
    def unreadable(self) -> Ranges:
        """What the device could not give of all that was read."""
        return merged(self._salvage.unreadable)

    def read(self, block: int) -> memoryview:
        """A block's bytes, as many as the file has of it; good until the next is read.

        Raises:
            ReadError: the device gives nothing.
            DriveGoneError: it is gone.
        """
        start = block * BLOCK_BYTES
        wanted = max(0, min(BLOCK_BYTES, self.size - start))
        if not wanted:
            return self._buffer[:0]
        try:
            got = self._salvage.read(self._buffer, start)
        except OSError as error:
            raise read_failure(self._path, error) from error
        return self._buffer[: min(got, wanted)]

    def gives(self, block: int) -> bool:
        """Whether the device gave all of a block that was read."""
        start, end = block * BLOCK_BYTES, (block + 1) * BLOCK_BYTES
        return not any(first < end and last > start for first, last in self._salvage.unreadable)


@contextmanager
def opened_blocks(files: Files, path: str, policy: ColdPolicy) -> Generator[Blocks]:
    """Open a file to read single blocks of it.

    Raises:
        ReadError: it can't be opened, or is no regular file.
        DriveGoneError: the device is gone.
    """
    with ExitStack() as stack:
        reader = ColdReader(files, policy)
        try:
            handle, stat, _ = reader.open(stack, path)
        except OSError as error:
            raise read_failure(path, error) from error
        yield Blocks(
            path,
            reader.salvage(handle, stat.size, chosen=True),
            size=stat.size,
            mtime_ns=stat.mtime_ns,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Digests:
    """What some blocks hashed to; None for those that the device would not give whole."""

    by_block: dict[int, bytes | None] = field(default_factory=dict)
    unreadable: Ranges = ()


def read_again(
    files: Files,
    path: str,
    policy: ColdPolicy,
    blocks: Iterable[int],
    on_block: Callable[[], None] = lambda: None,
) -> Digests:
    """Read some blocks of a file once more.

    Args:
        files: the system.
        path: absolute.
        policy: of its mount.
        blocks: numbers.
        on_block: called before each.

    Raises:
        ReadError: it can't be opened, is no regular file, or gives nothing.
        DriveGoneError: the device is gone.
    """
    found: dict[int, bytes | None] = {}
    with opened_blocks(files, path, policy) as opened:
        for block in blocks:
            on_block()
            data = opened.read(block)
            found[block] = xxhash.xxh3_128_digest(data) if opened.gives(block) else None
        return Digests(by_block=found, unreadable=opened.unreadable)
