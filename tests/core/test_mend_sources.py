"""Who is needed and who is asked, held against every set of places; and who would give which block."""

from itertools import chain, combinations

from hypothesis import example, given, strategies as st

from backupkeeper.core.deeds import Needed
from backupkeeper.core.mend_sources import hurt, names_needed, needed_from, to_ask
from backupkeeper.core.mending import (
    Mended,
    Patient,
    Planned,
    RepairOutcome,
    Sharing,
    Unmended,
    sharing,
)
from backupkeeper.core.model import BLOCK_BYTES, Copy, CopyState, PlaceId, Result, Way
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.ranges import Ranges, blocks_of, common, merged, ranges_of
from tests.core.made_up_copies import CLIP, MAIN, TRAVEL, VAULT, copy, fact

SPARE = PlaceId("spare")
DRIVES, BUCKETS = (MAIN, SPARE, TRAVEL), (VAULT,)
SIZE = 4 * BLOCK_BYTES - 9
WHOLE: Ranges = ((0, SIZE),)
edges = st.integers(0, SIZE + 20) | st.sampled_from([BLOCK_BYTES, 2 * BLOCK_BYTES, SIZE])
harms = st.lists(st.tuples(edges, edges), max_size=3).map(merged)
everyone = st.lists(st.tuples(st.sampled_from([*DRIVES, *BUCKETS]), harms), max_size=4)


def within(ranges: Ranges) -> list[int]:
    return [block for block in blocks_of(ranges) if block * BLOCK_BYTES < SIZE]


@given(harms, everyone)
@example(((SIZE - 1, SIZE + 20),), [])  # what is too much is cut off: nobody is asked for it
@example(((SIZE + 10, SIZE + 20),), [(SPARE, ())])
@example(
    WHOLE,
    [
        (place, ((n * BLOCK_BYTES, (n + 1) * BLOCK_BYTES),))
        for n, place in enumerate((TRAVEL, SPARE, MAIN, VAULT))
    ],
)
def test_for_each_hurt_block_the_places_are_needed_that_have_it_right(
    damage: Ranges, others: list[tuple[PlaceId, Ranges]]
) -> None:
    needed = needed_from(SIZE, damage, others)
    expected = {
        frozenset(place for place, wrong in others if block not in blocks_of(wrong))
        for block in within(damage)
    }
    assert set(needed) == expected
    assert len(needed) == len(expected)
    assert list(needed) == sorted(needed, key=sorted), "in one order, whatever this run hashes to"


sets = st.frozensets(st.sampled_from([*DRIVES, *BUCKETS]), max_size=3)
needs = st.lists(sets, max_size=4, unique=True).map(lambda found: tuple(sorted(found, key=sorted)))


def is_enough(needed: Needed, places: tuple[PlaceId, ...]) -> bool:
    return all(not one.isdisjoint(places) for one in needed)


@given(needs, st.sets(st.sampled_from(DRIVES)), st.sets(st.sampled_from(BUCKETS)))
def test_who_is_asked_is_enough_and_nobody_is_asked_in_vain(
    needed: Needed, drives: set[PlaceId], buckets: set[PlaceId]
) -> None:
    here = sorted(drives)
    asked = to_ask(needed, here, sorted(buckets))
    if asked is None:
        assert not is_enough(needed, (*here, *buckets))
        return
    assert is_enough(needed, (*here, *buckets))
    assert is_enough(needed, asked)
    assert set(asked) <= drives | buckets
    assert list(asked) == [one for one in (*here, *sorted(buckets)) if one in asked]
    for one in asked:
        assert not is_enough(needed, tuple(other for other in asked if other != one))


@given(needs, st.sets(st.sampled_from(DRIVES)))
def test_a_bucket_is_asked_only_where_the_drives_do_not_do(
    needed: Needed, drives: set[PlaceId]
) -> None:
    asked = to_ask(needed, sorted(drives), BUCKETS)
    if is_enough(needed, tuple(drives)):
        assert asked is not None
        assert set(asked) <= drives


@given(needs, st.sets(st.sampled_from([*DRIVES, *BUCKETS])))
def test_the_names_that_would_help_are_those_of_what_is_not_covered(
    needed: Needed, here: set[PlaceId]
) -> None:
    names = names_needed(needed, here)
    assert names.isdisjoint(here)
    lacking = [one for one in needed if one.isdisjoint(here)]
    assert names == frozenset(chain.from_iterable(lacking))
    if all(needed):
        assert is_enough(needed, (*here, *names))


def test_those_to_prefer_are_asked_first() -> None:
    both = (frozenset({MAIN, TRAVEL, VAULT}),)
    assert to_ask(both, [TRAVEL, MAIN], [VAULT]) == (TRAVEL,)
    assert to_ask(both, [], [VAULT]) == (VAULT,)
    assert to_ask((), [], []) == ()


def test_one_that_was_asked_for_one_block_is_not_kept_where_another_must_be_asked_anyway() -> None:
    needed = (frozenset({MAIN, VAULT}), frozenset({SPARE, VAULT}))
    for count in range(3):
        for here in combinations(DRIVES, count):
            asked = to_ask(needed, here, BUCKETS)
            assert asked is not None
            assert asked == ((MAIN, SPARE) if set(here) >= {MAIN, SPARE} else (VAULT,))


def test_a_copy_is_hurt_where_that_is_known_and_else_all_of_it() -> None:
    damage = ((5, 9),)
    bad = fact(Way.REHASH, 1, Result.DAMAGED, damage=damage)
    damaged = copy(MAIN, CopyState.DAMAGED)

    def told(trouble: object) -> Copy:
        return Copy(place=MAIN, path="", content=CLIP, state=CopyState.DAMAGED, trouble=trouble)  # type: ignore[arg-type]  # a fact or None

    assert hurt(damaged, 100) == ((0, 100),)
    assert hurt(told(bad), 100) == damage
    assert hurt(told(fact(Way.REHASH, 1, Result.DAMAGED)), 100) == ((0, 100),)
    assert hurt(copy(MAIN), 100) == ()


# -- who would give what


@given(harms, everyone)
@example(((SIZE - 1, SIZE + 20),), [])  # what is too much is cut off: nobody is asked for it
@example(((SIZE + 10, SIZE + 20),), [(SPARE, ())])
def test_each_hurt_block_is_given_by_the_first_that_has_it_or_is_lost(
    damage: Ranges, others: list[tuple[PlaceId, Ranges]]
) -> None:
    named = [(f"{n} {place}", wrong) for n, (place, wrong) in enumerate(others)]
    found = sharing(SIZE, damage, named)
    given_blocks = {name: set(blocks_of(ranges)) for name, ranges in found.taken.items()}
    for block in within(damage):
        able = [name for name, wrong in named if block not in blocks_of(wrong)]
        givers = [name for name, blocks in given_blocks.items() if block in blocks]
        assert givers == able[:1]
        assert (block in blocks_of(found.lost)) is (not able)
    every = [*found.taken.values(), found.lost]
    assert set(chain.from_iterable(map(blocks_of, every))) == set(within(damage))
    assert found.taken_bytes == sum(end - start for ranges in every[:-1] for start, end in ranges)
    assert all(common(ranges, WHOLE) == ranges for ranges in every)
    assert all(ranges for ranges in every[:-1])  # nobody is named who gives nothing


def test_what_is_too_much_after_a_last_whole_block_is_asked_of_nobody() -> None:
    size = 4 * BLOCK_BYTES
    beyond = ((size, size + 5),)
    assert sharing(size, beyond, [(SPARE, ())]) == Sharing(taken={}, lost=())
    assert needed_from(size, beyond, [(SPARE, ())]) == ()


@given(harms, everyone)
def test_a_block_is_lost_exactly_where_nobody_is_left_to_be_needed_for_it(
    damage: Ranges, others: list[tuple[PlaceId, Ranges]]
) -> None:
    named = [(str(place), wrong) for place, wrong in others]
    assert bool(sharing(SIZE, damage, named).lost) is (
        frozenset() in needed_from(SIZE, damage, others)
    )


# -- what a repair came to

PATIENT = Patient(place="Main", path="A.MP4", size=9, found=Result.DAMAGED)
DONE = Mended(patient=PATIENT, taken={"Travel": 9}, set_aside=".backupkeeper/set-aside/1")
OUTCOME = RepairOutcome(what="everything", dry_run=False)


def test_all_is_well_only_where_nothing_is_left_to_be_done() -> None:
    trouble = Trouble(place="Main", path="A.MP4", message="No.")
    plan = Planned(patient=PATIENT, sharing=Sharing(taken={}, lost=((0, 9),)))
    bad: list[dict[str, object]] = [
        {"planned": (plan,)},
        {"unmended": (Unmended(patient=PATIENT, why="No copy has it."),)},
        {"left": ("Somebody edited it.",)},
        {"troubles": (trouble,)},
        {"manifest_faults": (trouble,)},
        {"mended": (Mended(patient=PATIENT, taken={}, set_aside="", proven=False),)},
    ]
    for changes in bad:
        made = RepairOutcome(what="everything", dry_run=False, **changes)  # type: ignore[arg-type] # any field, by name
        assert not made.all_well
    assert OUTCOME.all_well
    assert RepairOutcome(
        what="A", dry_run=False, mended=(DONE, DONE), came_right=(("Main", "B.MP4"),)
    ).all_well
    assert ranges_of([0], 9) == ((0, 9),)
