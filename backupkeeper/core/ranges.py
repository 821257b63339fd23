"""Byte ranges: half-open, in order, merged. And the blocks of a block map that they touch.

Promise: whatever order, overlap or emptiness goes in, what comes out is in order, merged and has no
empty range.
"""

from collections.abc import Iterable
from typing import Final

from backupkeeper.core.model import BLOCK_BYTES

SECTOR_BYTES: Final = 512
_LEAST: Final = 64
"""Runs so short are compared byte by byte (less than a sector)."""
Bytes = bytes | bytearray | memoryview
Ranges = tuple[tuple[int, int], ...]


def merged(ranges: Iterable[tuple[int, int]], *, gap: int = 0) -> Ranges:
    """The same bytes as ranges in order; such as are no further apart than ``gap`` become one."""
    made: list[tuple[int, int]] = []
    for start, end in sorted(ranges):
        if start >= end:
            continue
        if made and start <= made[-1][1] + gap:
            made[-1] = (made[-1][0], max(made[-1][1], end))
        else:
            made.append((start, end))
    return tuple(made)


def common(one: Ranges, other: Ranges) -> Ranges:
    """The bytes that are in both."""
    return merged(
        (max(start, first), min(end, last))
        for start, end in one
        for first, last in other
        if max(start, first) < min(end, last)
    )


def without(one: Ranges, other: Ranges) -> Ranges:
    """The bytes of the first that are not in the second."""
    left: list[tuple[int, int]] = []
    for begin, end in one:
        at = begin
        for first, last in other:
            if last <= at or first >= end:
                continue
            left.append((at, first))
            at = last
        left.append((at, end))
    return merged(left)


def length(ranges: Iterable[tuple[int, int]]) -> int:
    """How many bytes these are."""
    return sum(end - start for start, end in ranges)


def blocks_of(ranges: Iterable[tuple[int, int]]) -> list[int]:
    """Numbers of the blocks that any of these bytes lies in, in order."""
    found: set[int] = set()
    for start, end in ranges:
        if start < end:
            found.update(range(start // BLOCK_BYTES, (end - 1) // BLOCK_BYTES + 1))
    return sorted(found)


def ranges_of(blocks: Iterable[int], size: int) -> Ranges:
    """The bytes of these blocks of a file of that size."""
    return merged((at * BLOCK_BYTES, min((at + 1) * BLOCK_BYTES, size)) for at in blocks)


def differing(good: Bytes, other: Bytes) -> Ranges:
    """Where two runs of bytes differ, to the byte; what one has more at its end differs too.

    Runs with fewer than ``SECTOR_BYTES`` equal bytes between them are told as one: damage comes in
    sectors (STANDARDS section 5.1), and some of its bytes are right by chance.
    """
    one, two = memoryview(good), memoryview(other)
    shared = min(len(one), len(two))
    found: list[tuple[int, int]] = []
    waiting = [(0, shared)]
    while waiting:
        start, end = waiting.pop()
        if one[start:end] == two[start:end]:
            continue
        if end - start <= _LEAST:
            # Only its first and its last: what lies between them becomes one run anyhow.
            first = next(at for at in range(start, end) if one[at] != two[at])
            last = next(at for at in reversed(range(first, end)) if one[at] != two[at])
            found.append((first, last + 1))
            continue
        middle = (start + end) // 2
        waiting += [(start, middle), (middle, end)]
    found.append((shared, max(len(one), len(two))))
    return merged(found, gap=SECTOR_BYTES - 1)
