"""Which drill the daemon makes by itself, which it leaves to a person, and when it begins and stops."""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.deeds import Deed, DeedKind, DrillDue, Hours, Plan, Running, Setback
from backupkeeper.core.drill_choice import DECLINED_FOR, Allowance, Candidate, choose
from backupkeeper.core.drilling import (
    Drilled,
    DrillResult,
    interrupted,
    round_of,
    turns_left,
)
from backupkeeper.core.patience import subject_of_line
from backupkeeper.core.planner import plan
from backupkeeper.core.prices import Prices
from backupkeeper.core.sampling import Budget
from tests.core.made_up_copies import NOW, VAULT
from tests.core.made_up_views import GB, SECOND, THIRD, view

FREE = Allowance(folder="/scratch")
DAY = timedelta(days=1)


def shoot(name: str, size_gb: int = 10, files: int = 5) -> Candidate:
    return Candidate(shoot=name, place=VAULT, name="Vault", size_bytes=size_gb * GB, files=files)


def noted(name: str, result: DrillResult, ago: timedelta = DAY, **more: Any) -> Drilled:
    values = {"round": 1, "place": "Vault", "files": 5, "size_bytes": 10 * GB}
    return Drilled(shoot=name, at=NOW - ago, result=result, **{**values, **more})


def chosen(
    *known: Candidate, drilled: list[Drilled] | None = None, by: Allowance = FREE
) -> DrillDue:
    due = choose(known, drilled or [], by, NOW)
    assert due is not None
    return due


@given(st.sets(st.text(min_size=1, max_size=3), min_size=1, max_size=5))
def test_drill_after_drill_none_has_its_turn_again_before_all_others_had_theirs(
    names: set[str],
) -> None:
    drilled: list[Drilled] = []
    for turn in range(2 * len(names)):
        due = choose([shoot(name) for name in names], drilled, FREE, NOW)
        assert due is not None
        assert due == choose([shoot(name) for name in sorted(names)], drilled, FREE, NOW)
        number = round_of(due.shoot, names, drilled)
        at = NOW + turn * DAY
        drilled.append(replace(noted(due.shoot, DrillResult.RIGHT), at=at, round=number))
    order = [one.shoot for one in drilled]
    assert set(order[: len(names)]) == set(order[len(names) :]) == names
    assert len(names) == 1 or all(one != other for one, other in pairwise(order))


def test_chance_decides_by_what_was_drilled_last() -> None:
    three = [shoot(name) for name in "abc"]
    ended = [noted("z", DrillResult.RIGHT, timedelta(minutes=n)) for n in range(40)]
    assert {chosen(*three, drilled=[one]).shoot for one in ended} == set("abc")
    assert choose([], ended, FREE, NOW) is None


def test_what_was_interrupted_goes_on_first_and_only_until_it_ended() -> None:
    names = "abcdefgh"
    known = [shoot(name) for name in names]
    for name in names:
        begun = noted(name, DrillResult.BEGUN, folder="/scratch/drill 1")
        assert chosen(*known, drilled=[begun]).shoot == name
        assert interrupted([begun], name, "Vault") == "/scratch/drill 1"
        assert not interrupted([begun], name, "Other")
        broken = noted(name, DrillResult.UNFINISHED, timedelta(0))
        assert interrupted([begun, broken], name, "Vault") == "/scratch/drill 1"
        ended = noted(name, DrillResult.WRONG, timedelta(0))
        assert not interrupted([begun, ended], name, "Vault")
        assert chosen(*known, drilled=[begun, ended]).shoot != name
        declined = noted(name, DrillResult.DECLINED, timedelta(0), why="No room.")
        assert chosen(*known, drilled=[begun, declined]).shoot != name


def test_a_shoot_that_somebody_chose_counts_for_the_round_in_which_it_has_its_turn() -> None:
    drilled = [noted("a", DrillResult.RIGHT), noted("b", DrillResult.RIGHT, timedelta(0))]
    assert turns_left("ab", drilled) == (["a"], 2)
    assert round_of("a", "ab", drilled) == 2
    assert round_of("a", "abc", drilled) == 1  # again, before all others had theirs
    assert round_of("c", "abc", drilled) == 1
    assert round_of("b", "ab", drilled) == 1
    assert round_of("x", "x", []) == 1


BY_BYTES = Allowance(folder="/scratch", budget=Budget(size_bytes=20 * GB))
PRICED = Prices(fetch_gb=Decimal("0.1"), requests_1000=Decimal(0))
BY_MONEY = Allowance(folder="/my scratch", budget=Budget(cost=Decimal(2)), prices=PRICED)


@pytest.mark.parametrize("by", [BY_BYTES, BY_MONEY], ids=["bytes", "money"])
def test_what_the_budget_does_not_hold_is_left_to_a_person_with_the_command(by: Allowance) -> None:
    assert not chosen(shoot("a", 20), by=by).why_not
    due = chosen(shoot("260612 Boatyard", 21), by=by)
    assert due.at is None
    assert due.why_not.startswith(
        "260612 Boatyard has 21.0 GB in Vault: more than a month's budget"
    )
    folder = "'/my scratch'" if by is BY_MONEY else "/scratch"
    assert due.why_not.endswith(
        f"To make it, type: backupkeeper drill '260612 Boatyard' --to {folder}"
    )
    # Another one that fits comes first, and is told about no more than the other way round.
    assert chosen(shoot("a", 21), shoot("b", 3), by=by).shoot == "b"
    # Where only what is too large has not had its turn, none is drilled twice instead.
    had = [noted("b", DrillResult.RIGHT)]
    assert chosen(shoot("a", 21), shoot("b", 3), drilled=had, by=by).shoot == "a"


def test_a_budget_of_money_without_a_price_holds_nothing() -> None:
    assert chosen(shoot("a"), by=replace(BY_MONEY, prices=Prices())).at is None


@pytest.mark.parametrize("by", [BY_BYTES, BY_MONEY], ids=["bytes", "money"])
def test_what_was_fetched_this_month_counts_and_the_next_month_has_a_budget_of_its_own(
    by: Allowance,
) -> None:
    due = chosen(shoot("a"), by=replace(by, fetched={VAULT: (11 * GB, 3)}))
    assert "waits for next month's budget" in due.why_not
    assert due.at == datetime(NOW.year + NOW.month // 12, NOW.month % 12 + 1, 1, tzinfo=NOW.tzinfo)
    assert not chosen(shoot("a"), by=replace(by, fetched={VAULT: (10 * GB, 3)})).why_not


def test_what_was_declined_is_not_looked_at_again_for_a_day() -> None:
    declined = noted("a", DrillResult.DECLINED, timedelta(hours=23), why="No room.")
    due = chosen(shoot("a"), drilled=[declined])
    assert due.why_not == "No room. To make it, type: backupkeeper drill a --to /scratch"
    assert due.at == declined.at + DECLINED_FOR
    assert not chosen(shoot("a"), drilled=[replace(declined, at=NOW - DAY)]).why_not
    assert not chosen(shoot("a"), shoot("b"), drilled=[declined]).why_not
    # Of several that wait the one that waits shortest is told.
    longer = noted("b", DrillResult.DECLINED, timedelta(hours=2), why="Asleep.")
    assert chosen(shoot("b"), shoot("a"), drilled=[longer, declined]).shoot == "a"


DUE = DrillDue(place=VAULT, shoot="260612 Boatyard", size_bytes=GB, files=3)


def drill_of(made: Plan) -> list[Deed]:
    return [deed for deed in made.start if deed.kind is DeedKind.DRILL]


def test_a_drill_that_is_due_begins_last_and_beside_an_upload() -> None:
    made = plan(view(drill=DUE, needs=[SECOND, THIRD], drives={}))
    assert [one.kind for one in made.start] == [DeedKind.DRILL]
    made = plan(view(drill=DUE, needs=[THIRD]))
    assert [one.kind for one in made.start] == [DeedKind.UPLOAD, DeedKind.DRILL]
    (deed,) = drill_of(made)
    assert (deed.place, deed.shoot, deed.size_bytes, deed.files) == (
        VAULT, "260612 Boatyard", GB, 3,
    )  # fmt: skip


def test_what_a_drill_waits_for() -> None:
    def waits(**changes: Any) -> tuple[str, datetime | None, bool]:
        made = plan(view(**changes))
        assert not drill_of(made)
        (one,) = [one for one in made.waiting if one.deed.kind is DeedKind.DRILL]
        return one.why, made.wake_at, one.person

    assert waits(drill=replace(DUE, why_not="Too dear.")) == ("Too dear.", None, True)
    assert waits(drill=replace(DUE, why_not="Later.", at=NOW + DAY)) == (
        "Later.", NOW + DAY, False,
    )  # fmt: skip
    closed = Hours(may_upload=False, changes_at=NOW + DAY)
    why, at, _ = waits(drill=DUE, hours=closed)
    assert (why, at) == ("It waits for the hours in which uploads may go on.", NOW + DAY)
    why, _, _ = waits(drill=DUE, hours=replace(closed, no_upload="The line is metered."))
    assert why == "The line is metered."
    assert waits(drill=DUE, paused=True)[0] == "You asked for a pause."
    assert "Another program" in waits(drill=DUE, lent={VAULT: "process 7 uses it"})[0]
    failing = {subject_of_line(VAULT): Setback(count=1, last_at=NOW, message="No line.")}
    assert "The line is down" in waits(drill=DUE, setbacks=failing)[0]


@pytest.mark.parametrize(
    "changes",
    [
        {"hours": Hours(may_upload=False)},
        {"paused": True},
        {"lent": {VAULT: "process 7 uses it"}},
    ],
    ids=["closed line", "pause", "another program"],
)
def test_a_drill_under_way_is_stopped_and_not_held_for_it_goes_on_where_it_was(
    changes: dict[str, Any],
) -> None:
    (deed,) = drill_of(plan(view(drill=DUE)))
    under_way = (Running(deed=deed, since=NOW),)
    made = plan(view(running=under_way, **changes))
    assert made.stop == (deed.key,)
    assert not made.hold
    assert plan(view(running=under_way, needs=[THIRD])).stop == ()
