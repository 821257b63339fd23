"""One right block out of two wrong ones, held against what was done to them."""

import random

from hypothesis import given, strategies as st

from backupkeeper.transfer.piecing import MOST_RUNS, pieced

SIZE = 40 * 512 + 17
GOOD = random.Random(5).randbytes(SIZE)
SECTORS = st.sets(st.integers(0, 40), max_size=6)


def hurt(sectors: set[int]) -> bytes:
    data = bytearray(GOOD)
    for sector in sectors:
        for at in range(sector * 512, min(sector * 512 + 512, SIZE)):
            data[at] ^= 0x5A
    return bytes(data)


def apart(one: set[int], other: set[int]) -> bool:
    """Whether no sector of one lies in, or beside, one of the other."""
    return not any(abs(a - b) <= 1 for a in one for b in other)


@given(SECTORS, SECTORS)
def test_what_is_hurt_apart_is_put_together_and_nothing_wrong_is_ever_given(
    one: set[int], other: set[int]
) -> None:
    found = pieced([hurt(one), hurt(other)], lambda data: data == GOOD)
    assert found in {None, GOOD}
    if one and other and apart(one, other):
        assert found == GOOD
    if one & other:
        assert found is None, "a sector that both have wrong is in neither"


def test_a_third_version_helps_where_two_do_not() -> None:
    versions = [hurt({3}), hurt({3, 9}), hurt({20})]
    assert pieced(versions, lambda data: data == GOOD) == GOOD
    assert pieced(versions[:2], lambda data: data == GOOD) is None
    assert pieced(versions[:1], lambda data: data == GOOD) is None
    assert pieced([], lambda data: data == GOOD) is None


def test_too_many_places_are_not_tried_for_ever() -> None:
    tried: list[int] = []

    def count(_: memoryview) -> bool:
        tried.append(1)
        return False

    assert pieced([hurt(set()), hurt(set(range(0, 40, 2)))], count) is None
    assert not tried
    assert pieced([GOOD, hurt(set(range(0, 2 * MOST_RUNS, 2)))], count) is None
    assert len(tried) == (1 << MOST_RUNS) - 1
