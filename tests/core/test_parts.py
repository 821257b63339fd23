"""Part sizes, held against the published limits (STANDARDS section 7.1)."""

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core import parts
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.core.parts import GIBIBYTE, LARGEST_OBJECT, MEBIBYTE

TEBIBYTE = 1024 * GIBIBYTE


@pytest.mark.parametrize(
    ("size", "part", "count"),
    [
        (48 * GIBIBYTE, 5 * MEBIBYTE, 9_831),
        (50 * GIBIBYTE, 5 * MEBIBYTE, 10_240),
        (50 * GIBIBYTE, 6 * MEBIBYTE, 8_534),
        (0, 16 * MEBIBYTE, 1),
        (1, 16 * MEBIBYTE, 1),
        (16 * MEBIBYTE, 16 * MEBIBYTE, 1),
        (16 * MEBIBYTE + 1, 16 * MEBIBYTE, 2),
    ],
)
def test_parts_are_counted_as_published(size: int, part: int, count: int) -> None:
    assert parts.part_count(size, part) == count


@pytest.mark.parametrize(
    ("size", "least"),
    [
        (0, 5 * MEBIBYTE),
        (48 * GIBIBYTE, 5_153_961),
        (50 * GIBIBYTE, 5_368_710),
        (5 * TEBIBYTE, 549_755_814),
        (LARGEST_OBJECT, 5 * GIBIBYTE),
    ],
)
def test_the_smallest_legal_part_is_as_published(size: int, least: int) -> None:
    assert parts.smallest_legal_part(size) == max(least, 5 * MEBIBYTE)


def test_the_largest_object_is_as_published() -> None:
    assert LARGEST_OBJECT == 53_687_091_200_000
    assert parts.part_bytes(LARGEST_OBJECT) == 5 * GIBIBYTE


def test_one_byte_more_than_the_largest_object_is_refused() -> None:
    with pytest.raises(UsageError, match="does not fit in a bucket"):
        parts.part_bytes(LARGEST_OBJECT + 1)


@given(st.integers(0, LARGEST_OBJECT), st.sampled_from([1, 5 * MEBIBYTE, parts.USUAL_PART]))
def test_a_part_is_whole_blocks_and_within_every_limit(size: int, usual: int) -> None:
    part = parts.part_bytes(size, usual=usual)
    assert part % BLOCK_BYTES == 0
    assert usual <= part <= parts.LARGEST_PART
    assert part >= parts.SMALLEST_PART
    assert parts.part_count(size, part) <= parts.MOST_PARTS


@given(st.integers(1, 3 * TEBIBYTE))
def test_the_parts_of_an_object_add_up_to_it(size: int) -> None:
    part = parts.part_bytes(size)
    count = parts.part_count(size, part)
    last = parts.size_of_part(size, part, count)
    assert 0 < last <= part
    assert (count - 1) * part + last == size
    if count > 1:
        assert parts.size_of_part(size, part, 1) == part


@given(st.integers(0, LARGEST_OBJECT))
def test_memory_does_not_grow_with_the_file_until_one_part_is_larger(size: int) -> None:
    part = parts.part_bytes(size)
    held = parts.parts_at_once(part)
    assert 1 <= held <= parts.MOST_AT_ONCE
    assert held * part <= max(parts.HELD_BYTES, part)


@pytest.mark.parametrize(
    ("wanted", "part", "held"),
    [(1, 16, 1), (2, 16, 2), (4, 16, 4), (6, 8, 6), (8, 8, 8), (16, 8, 8)],
)
def test_more_parts_at_once_are_smaller_parts(wanted: int, part: int, held: int) -> None:
    assert parts.usual_part(wanted) == part * MEBIBYTE
    assert parts.parts_at_once(part * MEBIBYTE, most=wanted) == held


@given(st.integers(0, 100))
def test_however_many_parts_are_wanted_they_fit_the_memory(wanted: int) -> None:
    part = parts.usual_part(wanted)
    assert part >= parts.SMALLEST_PART
    assert part * parts.parts_at_once(part, most=wanted) <= parts.HELD_BYTES


def test_ordinary_files_have_four_parts_of_16_mebibytes_on_their_way() -> None:
    part = parts.part_bytes(100 * GIBIBYTE)
    assert (part, parts.parts_at_once(part)) == (16 * MEBIBYTE, 4)


@pytest.mark.parametrize(("wanted", "small"), [(1, 8), (4, 32), (8, 64), (32, 64)])
def test_many_more_small_files_than_parts_travel_at_once(wanted: int, small: int) -> None:
    assert parts.small_at_once(wanted) == small


def test_parts_that_do_not_fill_what_may_be_held_travel_in_whole_numbers() -> None:
    assert repr(parts.parts_at_once(24 * MEBIBYTE)) == "2"
    assert repr(parts.parts_at_once(parts.HELD_BYTES + 1)) == "1"


def test_one_more_part_is_made_ready_while_parts_are_no_larger_than_usual() -> None:
    assert parts.parts_held(parts.USUAL_PART, at_once=4) == 5
    assert parts.parts_held(parts.USUAL_PART + 1, at_once=2) == 2
