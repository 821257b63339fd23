"""Whom a damaged file needs: for each hurt block the places that have it right."""

from dataclasses import replace

from hypothesis import given, strategies as st

from backupkeeper.core.mend_sources import hurt, names_needed, needed_from, to_ask
from backupkeeper.core.model import BLOCK_BYTES, CopyState, PlaceId, Result, Way
from backupkeeper.core.ranges import Ranges, ranges_of
from tests.core.made_up_copies import MAIN, TRAVEL, VAULT, copy, fact

BLOCKS = 6
SIZE = BLOCKS * BLOCK_BYTES - 5
SPARE = PlaceId("spare")
some_blocks = st.sets(st.integers(0, BLOCKS), max_size=BLOCKS).map(
    lambda blocks: ranges_of(blocks, (BLOCKS + 1) * BLOCK_BYTES)
)
others = st.lists(st.tuples(st.sampled_from([MAIN, TRAVEL, VAULT]), some_blocks), max_size=4)


def is_wrong(block: int, damage: Ranges) -> bool:
    return any(
        start < (block + 1) * BLOCK_BYTES and block * BLOCK_BYTES < end for start, end in damage
    )


@given(some_blocks, others)
def test_it_is_said_for_each_hurt_block_who_has_it_right(
    damage: Ranges, known: list[tuple[PlaceId, Ranges]]
) -> None:
    expected = {
        frozenset(place for place, wrong in known if not is_wrong(block, wrong))
        for block in range(BLOCKS)
        if is_wrong(block, damage)
    }
    found = needed_from(SIZE, damage, known)
    assert set(found) == expected
    assert len(set(found)) == len(found)
    assert found == needed_from(SIZE, damage, known[::-1])


@given(
    st.lists(st.frozensets(st.sampled_from([MAIN, TRAVEL, VAULT, SPARE])), max_size=4),
    st.sets(st.sampled_from([MAIN, TRAVEL, SPARE])),
    st.booleans(),
)
def test_all_blocks_are_asked_for_or_nobody_is(
    sets: list[frozenset[PlaceId]], here: set[PlaceId], has_bucket: bool
) -> None:
    needed, buckets = tuple(sets), [VAULT] if has_bucket else []
    asked = to_ask(needed, sorted(here), buckets)
    able = here | set(buckets)
    if asked is None:
        assert any(places.isdisjoint(able) for places in needed)
        wanted = names_needed(needed, able)
        assert wanted.isdisjoint(able)
    else:
        assert set(asked) <= able
        assert all(places & set(asked) for places in needed)
        assert names_needed(needed, able) == frozenset()


def test_a_drive_is_asked_before_a_bucket() -> None:
    either = (frozenset({MAIN, VAULT}),)
    assert to_ask(either, [MAIN], [VAULT]) == (MAIN,)
    assert to_ask(either, [], [VAULT]) == (VAULT,)


def test_where_it_is_not_said_what_is_hurt_all_of_it_is() -> None:
    assert hurt(copy(MAIN), 100) == ()
    damaged = copy(MAIN, CopyState.DAMAGED)
    assert hurt(damaged, 100) == ((0, 100),)
    for damage, told in (((), ((0, 100),)), (((3, 4),), ((3, 4),))):
        trouble = fact(Way.REHASH, 0, Result.DAMAGED, damage=damage)
        assert hurt(replace(damaged, trouble=trouble), 100) == told
