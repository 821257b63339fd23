"""Byte ranges held against plain sets of numbers, and differences against a loop over each byte."""

import tracemalloc
from collections.abc import Iterable
from itertools import pairwise

import pytest
from hypothesis import example, given, strategies as st

from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.core.ranges import (
    SECTOR_BYTES,
    Ranges,
    blocks_of,
    common,
    differing,
    length,
    merged,
    ranges_of,
    without,
)

raw = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=8)
tidy = raw.map(merged)


def numbers(ranges: Iterable[tuple[int, int]]) -> set[int]:
    return {at for start, end in ranges for at in range(start, end)}


def is_tidy(ranges: Ranges) -> bool:
    edges = [edge for pair in ranges for edge in pair]
    return all(one < other for one, other in pairwise(edges))


@given(raw)
def test_the_same_bytes_come_out_in_order_merged_and_never_empty(
    ranges: list[tuple[int, int]],
) -> None:
    assert numbers(merged(ranges)) == numbers(ranges)
    assert is_tidy(merged(ranges))
    assert merged(merged(ranges)) == merged(reversed(ranges)) == merged(ranges)


@given(raw, st.integers(0, 9))
def test_only_gaps_that_are_no_wider_are_filled(ranges: list[tuple[int, int]], gap: int) -> None:
    there, made = numbers(ranges), merged(ranges, gap=gap)
    filled = {
        at
        for start in there
        for at in range(start + 1, start + gap + 1)
        if not there.isdisjoint(range(at, start + gap + 2))
    }
    assert numbers(made) == there | filled
    assert is_tidy(made)


@given(tidy, tidy)
def test_what_two_have_in_common_and_what_one_has_alone_are_those_of_sets(
    one: Ranges, other: Ranges
) -> None:
    assert numbers(common(one, other)) == numbers(one) & numbers(other)
    assert numbers(without(one, other)) == numbers(one) - numbers(other)
    assert is_tidy(common(one, other))
    assert is_tidy(without(one, other))
    assert length(one) == len(numbers(one))


big = st.integers(0, 5 * BLOCK_BYTES)


@given(st.lists(st.tuples(big, big), max_size=5), st.integers(0, 5 * BLOCK_BYTES))
@example([(BLOCK_BYTES - 1, BLOCK_BYTES + 1), (5, 5)], BLOCK_BYTES + 3)
def test_the_blocks_of_ranges_are_those_that_hold_any_of_their_bytes(
    ranges: list[tuple[int, int]], size: int
) -> None:
    blocks = blocks_of(ranges)
    for block in range(6):
        begin, end = block * BLOCK_BYTES, (block + 1) * BLOCK_BYTES
        holds = any(max(start, begin) < min(last, end) for start, last in ranges)
        assert (block in blocks) is holds
    assert blocks == sorted(set(blocks))
    whole = ranges_of(blocks, size)
    assert is_tidy(whole)
    assert all(end <= size for _, end in whole)
    assert common(merged(ranges), ((0, size),)) == common(merged(ranges), whole)
    assert blocks_of(whole) == [block for block in blocks if block * BLOCK_BYTES < size]


def naively(good: bytes, other: bytes) -> Ranges:
    """One byte after the other; runs with fewer than a sector of equal bytes between are one."""
    found: list[tuple[int, int]] = []
    for at in range(max(len(good), len(other))):
        if good[at : at + 1] == other[at : at + 1]:
            continue
        if found and at - found[-1][1] < SECTOR_BYTES:
            found[-1] = (found[-1][0], at + 1)
        else:
            found.append((at, at + 1))
    return tuple(found)


@given(
    st.integers(0, 5000),
    st.lists(st.tuples(st.integers(0, 5000), st.integers(1, 700)), max_size=4),
    st.integers(-600, 600),
)
@example(3000, [(0, 1), (SECTOR_BYTES, 1)], 0)
@example(3000, [(0, 1), (SECTOR_BYTES + 1, 1)], 0)
@example(3000, [(2999, 1)], 1)
def test_differences_are_found_to_the_byte(
    size: int, harm: list[tuple[int, int]], more: int
) -> None:
    good = bytes(at * 7 % 251 for at in range(size))
    bad = bytearray(good)
    for start, run in harm:
        for at in range(start, min(start + run, size), 1 + run % 3):
            bad[at] ^= 1 + at % 255
    bad = bad[:more] if more < 0 else bad + bytes(more)
    expected = naively(good, bytes(bad))
    assert differing(good, bytes(bad)) == expected
    assert differing(memoryview(bad), bytearray(good)) == expected
    assert is_tidy(expected)


@pytest.mark.parametrize("apart", [SECTOR_BYTES - 1, SECTOR_BYTES, SECTOR_BYTES + 1])
def test_a_whole_sector_of_right_bytes_between_parts_two_runs(apart: int) -> None:
    good = bytes(4096)
    bad = bytearray(good)
    bad[100] = bad[101 + apart] = 1
    parts = ((100, 101), (101 + apart, 102 + apart))
    assert differing(good, bad) == (parts if apart >= SECTOR_BYTES else ((100, 102 + apart),))


def test_a_block_that_is_wrong_throughout_takes_little_memory() -> None:
    good, bad = b"\1" * BLOCK_BYTES, bytes(BLOCK_BYTES)
    tracemalloc.start()
    try:
        assert differing(good, bad) == ((0, BLOCK_BYTES),)
        assert tracemalloc.get_traced_memory()[1] < 4 * BLOCK_BYTES
    finally:
        tracemalloc.stop()
