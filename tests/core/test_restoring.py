"""From where a restore takes: the cheapest proven copies first, the work shared out."""

from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import Blake3, Copy, CopyState, PlaceId
from backupkeeper.core.restoring import (
    MAY_GIVE,
    Portion,
    RestoreOutcome,
    RestorePlan,
    Shares,
    Source,
    worth,
)

NOW = datetime(2026, 6, 12, tzinfo=UTC)


def copy(place: str, state: CopyState = CopyState.PROVEN) -> Copy:
    return Copy(place=PlaceId(place), path="a", content=Blake3("0" * 64), state=state)


def drive(place: str, state: CopyState = CopyState.PROVEN) -> Source:
    return Source(copy=copy(place, state))


def bucket(place: str, price: str | None = None, *, asleep: bool = False) -> Source:
    cost = Decimal(price) if price is not None else None
    return Source(copy=copy(place), is_bucket=True, price=cost, asleep=asleep)


def test_proven_then_free_then_cheap_then_awake() -> None:
    wanted = [
        drive("1 main"),
        bucket("2 cheap", "0.01"),
        bucket("3 dear", "0.09"),
        bucket("4 who knows"),
        bucket("5 asleep", "0.001", asleep=True),
        drive("6 unproven", CopyState.WRITTEN),
        drive("7 damaged", CopyState.DAMAGED),
    ]
    assert Shares().ordered(reversed(wanted), 10) == tuple(wanted)


def test_equally_good_drives_take_turns_by_bytes() -> None:
    shares = Shares()
    sizes = [100, 10, 10, 10, 70]
    first = [shares.ordered([drive("b"), drive("a")], size)[0].copy.place for size in sizes]
    assert first == ["a", "b", "b", "b", "b"]


def test_a_drive_that_gave_twice_has_given_both() -> None:
    shares = Shares()
    first = [shares.ordered([drive("b"), drive("a")], n)[0].copy.place for n in (100, 60, 60, 60)]
    assert first == ["a", "b", "b", "a"]


def test_nothing_gives_nothing() -> None:
    assert Shares().ordered([], 1) == ()


SOURCES = st.builds(
    Source,
    copy=st.builds(copy, st.sampled_from("abc"), st.sampled_from(sorted(MAY_GIVE))),
    is_bucket=st.booleans(),
    asleep=st.booleans(),
    price=st.none() | st.decimals(0, 1, places=3),
)


@given(st.lists(SOURCES, max_size=6), st.integers(0, 10**12))
def test_no_source_is_lost_and_none_comes_before_a_better_one(
    sources: list[Source], size: int
) -> None:
    ordered = Shares().ordered(sources, size)
    assert sorted(map(id, ordered)) == sorted(map(id, sources))
    assert [one.rank for one in ordered] == sorted(one.rank for one in sources)
    assert [worth(one.copy) for one in ordered] == sorted(worth(one.copy) for one in sources)


def plan(*portions: Portion, needed: int = 0) -> RestorePlan:
    return RestorePlan(
        what="x", to="/x", files=1, size_bytes=1, portions=portions, needed_bytes=needed
    )


def portion(
    cost: str | None = "0", seconds: float | None = 1.0, *, asleep: int = 0, files: int = 1
) -> Portion:
    return Portion(
        place="p",
        is_bucket=True,
        files=files,
        size_bytes=1,
        seconds=seconds,
        cost=Decimal(cost) if cost is not None else None,
        asleep_files=asleep,
    )


def test_a_plan_sums_what_is_known_and_invents_nothing() -> None:
    assert plan().cost == 0
    assert plan(portion("0.1"), portion("0.2")).cost == Decimal("0.3")
    assert plan(portion("0.1"), portion(None)).cost is None
    assert plan(portion(seconds=3), portion(seconds=5)).seconds == 5
    assert plan(portion(seconds=3), portion(seconds=None)).seconds is None
    assert plan(portion(seconds=3), portion(seconds=None, files=0)).seconds == 3


def test_a_word_is_wanted_where_it_costs_or_thaws() -> None:
    assert not plan(portion(), portion(None)).wants_word
    assert plan(portion("0.001")).wants_word
    large, many = replace(portion(), size_bytes=10**12), replace(portion(), requests=10**6)
    assert not plan(large, many).wants_word  # known to be free
    assert plan(portion(asleep=1)).wants_word
    assert (plan().fits, plan(needed=1).fits) == (True, False)


@pytest.mark.parametrize(
    ("size_bytes", "requests", "wanted"),
    [(10_000_000, 1_000, False), (10_000_001, 1, True), (1, 1_001, True)],
)
def test_what_is_not_known_to_be_free_wants_a_word_unless_it_is_tiny(
    size_bytes: int, requests: int, wanted: bool
) -> None:
    unknown = replace(portion(None), size_bytes=size_bytes, requests=requests)
    assert plan(portion(), unknown).wants_word is wanted
    assert not plan(replace(unknown, is_bucket=False)).wants_word


def test_all_is_well_only_where_all_was_done() -> None:
    assert RestoreOutcome(plan=plan(), done=True).all_well
    assert not RestoreOutcome(plan=plan(), done=False).all_well
    assert not RestoreOutcome(plan=plan(), done=True, not_cold="warm").all_well
