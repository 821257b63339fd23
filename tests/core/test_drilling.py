"""Whose turn it is in a restore drill, and what the last one says."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.drilling import (
    Drilled,
    DrillResult,
    drilled_of,
    is_time,
    last_of,
    next_turn,
    result_of,
)
from backupkeeper.core.model import Event, EventKind
from backupkeeper.core.restoring import Fate, NotThere, RestoreOutcome, RestorePlan

NOW = datetime(2026, 11, 28, tzinfo=UTC)
RIGHT = DrillResult.RIGHT


def made(shoot: str, number: int, at: int = 0, result: DrillResult = RIGHT) -> Drilled:
    return Drilled(
        shoot=shoot,
        at=NOW + timedelta(days=at),
        round=number,
        result=result,
        place="Off site",
        files=3,
        size_bytes=9,
    )


@given(st.sets(st.text(min_size=1, max_size=3), min_size=1, max_size=6), st.integers(0, 999))
def test_none_has_its_turn_again_before_all_others_had_theirs(shoots: set[str], seed: int) -> None:
    drilled: list[Drilled] = []
    for turn in range(3 * len(shoots)):
        found = next_turn(shoots, drilled, f"{seed} {turn}")
        assert found is not None
        drilled.append(made(found[0], found[1], at=turn))
    order = [one.shoot for one in drilled]
    for number in range(3):
        part = order[number * len(shoots) : (number + 1) * len(shoots)]
        assert set(part) == shoots
    if len(shoots) > 1:
        assert all(one != other for one, other in pairwise(order))


def test_chance_decides_who_is_first() -> None:
    shoots = ["a", "b", "c", "d"]
    firsts = {next_turn(shoots, [], f"{n}") for n in range(60)}
    assert firsts == {(shoot, 1) for shoot in shoots}


def test_one_that_came_to_nothing_is_no_turn_and_a_new_shoot_joins_the_round() -> None:
    drilled = [made("a", 2), made("b", 2, result=DrillResult.UNFINISHED)]
    assert next_turn(["a", "b"], drilled, "x") == ("b", 2)
    assert next_turn(["a", "new"], drilled, "x") == ("new", 2)
    assert next_turn([], drilled, "x") is None
    assert next_turn(["a"], drilled, "x") == ("a", 3)


@given(
    st.builds(made, st.text(), st.integers(1, 99), st.integers(0, 99), st.sampled_from(DrillResult))
)
def test_an_event_gives_back_the_drill(drill: Drilled) -> None:
    assert drilled_of(drill.event) == drill


@given(st.text() | st.sampled_from(["{}", "[]", '{"round": "x"}', "[" * 99999, "null"]))
def test_any_other_text_is_none(detail: str) -> None:
    assert drilled_of(Event(at=NOW, kind=EventKind.DRILLED, subject="a", detail=detail)) is None


def outcome(*fates: Fate, files: int = 3) -> RestoreOutcome:
    plan = RestorePlan(what="a", to="/x", files=3, size_bytes=9, portions=())
    missing = tuple(NotThere(path="p", size=1, fate=fate) for fate in fates)
    return RestoreOutcome(plan=plan, done=True, restored_files=files, not_there=missing)


@pytest.mark.parametrize(
    ("restored", "verified", "result"),
    [
        (outcome(), True, DrillResult.RIGHT),
        (outcome(), False, DrillResult.WRONG),
        (outcome(files=0), True, DrillResult.UNFINISHED),
        (outcome(Fate.LOST), True, DrillResult.WRONG),
        (outcome(Fate.OTHER, Fate.THAWING), True, DrillResult.WRONG),
        (outcome(Fate.THAWING), True, DrillResult.UNFINISHED),
        (outcome(Fate.FAILED), False, DrillResult.UNFINISHED),
        (outcome(Fate.HOMELESS), False, DrillResult.UNFINISHED),
    ],
)
def test_how_a_drill_ended(restored: RestoreOutcome, verified: bool, result: DrillResult) -> None:
    assert result_of(restored, verified=verified) is result


def test_when_it_is_time() -> None:
    last = last_of([made("a", 1, -100), made("b", 1, -40), made("c", 1, 0, DrillResult.UNFINISHED)])
    assert last is not None
    assert last.shoot == "b"
    assert last_of([]) is None
    assert is_time(last, NOW, 1)
    assert not is_time(last, NOW, 2)
    assert is_time(None, NOW, 12)
    assert not is_time(None, NOW, 0)
