"""Readings that were broken off, and which of them go on."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import Fact, Result, Way
from backupkeeper.core.parts_read import YOUNG, bytes_read, part_note, read_since, resumable
from tests.core.made_up_copies import DAY, NOW, fact

SIZE, MTIME = 1000, 5_000_000_000
TICK = timedelta(microseconds=1)


def part(days_ago: float, done: int = 400, **changes: Any) -> Fact:
    values: dict[str, Any] = {"cold": True, "damage": ((done, SIZE),), "note": part_note(MTIME)}
    return fact(Way.PART, days_ago, **(values | changes))


def taken_up(*facts: Fact) -> Fact | None:
    return resumable(facts, SIZE, MTIME, NOW)


def test_a_beginning_of_the_same_file_goes_on() -> None:
    assert taken_up(part(1)) == part(1)
    assert taken_up() is None


@pytest.mark.parametrize(
    "changes",
    [
        {"cold": False},
        {"note": part_note(MTIME + 1)},
        {"note": ""},
        {"damage": ()},
        {"damage": ((400, SIZE + 1),)},
        {"damage": ((400, SIZE - 1),)},
    ],
    ids=["warm", "written to since", "no time", "nothing left", "another size", "shorter"],
)
def test_a_beginning_of_which_anything_is_not_as_it_was_does_not(
    changes: dict[str, Any],
) -> None:
    assert taken_up(part(1, **changes)) is None


def test_a_beginning_goes_on_for_as_long_as_it_is_young_and_never_from_the_future() -> None:
    oldest = replace(part(0), at=NOW - YOUNG)
    assert taken_up(oldest) == oldest
    assert taken_up(replace(oldest, at=oldest.at - TICK)) is None
    assert taken_up(replace(oldest, at=NOW)) is not None
    assert taken_up(replace(oldest, at=NOW + TICK)) is None


def test_what_was_read_before_the_place_came_back_does_not_go_on() -> None:
    assert resumable([part(3)], SIZE, MTIME, NOW, since=NOW - 3 * DAY) == part(3)
    assert resumable([part(3)], SIZE, MTIME, NOW, since=NOW - 3 * DAY + TICK) is None
    later = resumable([part(3, 900), part(1)], SIZE, MTIME, NOW, since=NOW - 2 * DAY)
    assert later == part(1)


def test_of_several_the_one_that_is_furthest_from_its_end_gives_way() -> None:
    assert taken_up(part(3, 800), part(1, 200)) == part(3, 800)
    assert taken_up(part(3, 800), part(1, 800)) == part(1, 800)


@pytest.mark.parametrize("way", [way for way in Way if way not in {Way.PART, Way.LOOKED}])
@pytest.mark.parametrize("result", list(Result))
def test_whatever_was_said_of_it_since_begins_anew(way: Way, result: Result) -> None:
    assert taken_up(part(3), fact(way, 2, result)) is None
    assert taken_up(part(3), fact(way, 3, result)) is None  # at that instant: nobody knows
    assert taken_up(part(3), fact(way, 4, result)) == part(3)


facts = st.lists(
    st.one_of(
        st.builds(part, st.sampled_from([-1, 0, 1, 3, 15]), st.sampled_from([100, 500, 900])),
        st.builds(
            fact, st.sampled_from(Way), st.sampled_from([0, 1, 2, 20]), st.sampled_from(Result)
        ),
    ),
    max_size=6,
)


@given(facts, st.randoms(use_true_random=False))
def test_the_order_never_matters_and_looks_change_nothing(told: list[Fact], chance: object) -> None:
    found = taken_up(*told)
    shuffled = [*told, fact(Way.LOOKED, 0), fact(Way.LOOKED, 0, Result.MISSING)]
    chance.shuffle(shuffled)  # type: ignore[attr-defined] # a random.Random, which is banned by name
    assert taken_up(*shuffled) == found
    if found is not None:
        assert found.way is Way.PART
        assert NOW - 14 * DAY <= found.at <= NOW
        others = [one for one in told if one.way not in {Way.PART, Way.LOOKED}]
        assert all(one.at < found.at for one in others)


def test_what_a_part_brought_on_is_counted_from_where_it_began() -> None:
    assert read_since(part(1, 400), []) == 400
    assert read_since(part(1, 400), [part(1, 150), part(1, 300), part(2, 350)]) == 100
    assert read_since(part(1, 400), [part(1, 400), part(1, 900)]) == 400
    assert read_since(replace(part(1), damage=()), [part(1, 100)]) == 0


def test_what_a_reading_read_itself_is_what_was_left_for_it() -> None:
    whole = fact(Way.REHASH, 1)
    assert bytes_read(whole, SIZE, []) == SIZE
    assert bytes_read(whole, SIZE, [part(1, 150), part(1, 400), part(2, 700)]) == SIZE - 400
    assert bytes_read(whole, SIZE, [replace(part(1), damage=()), fact(Way.LOOKED, 1)]) == SIZE
