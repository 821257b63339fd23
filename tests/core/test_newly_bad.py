"""Each time that a copy went bad, out of the facts of a drive: once, and again after it was mended."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from random import Random

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.harm import CAME_RIGHT
from backupkeeper.core.model import Blake3, Fact, PlaceId, Result, Way
from backupkeeper.core.sightings import newly_bad

NOW = datetime(2026, 6, 20, 12, tzinfo=UTC)
BAD_KINDS = (Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE, Result.UNSTABLE)
PEOPLES = (Result.MATCHES, Result.CHANGED, Result.MISSING)


def fact(hours: int, result: Result, path: str = "a", **told: object) -> Fact:
    """A fact of the drive, so many hours after a moment; read cold, later, if nothing else is told."""
    assert told.keys() <= {"way", "cold", "note"}
    return replace(
        Fact(
            at=NOW + timedelta(hours=hours),
            place=PlaceId("p"),
            path=path,
            content=Blake3("0" * 64),
            way=Way.REHASH,
            result=result,
            cold=True,
        ),
        **told,  # type: ignore[arg-type] # names are checked above
    )


def kinds(*facts: Fact) -> list[tuple[int, Result, str]]:
    """What went bad, at which hour."""
    found = newly_bad(facts)
    return [(round((at - NOW) / timedelta(hours=1)), kind, path) for at, kind, path in found]


@pytest.mark.parametrize("kind", BAD_KINDS)
def test_damage_that_is_met_again_is_told_once(kind: Result) -> None:
    assert kinds(fact(0, kind), fact(24, kind), fact(48, kind)) == [(0, kind, "a")]


@pytest.mark.parametrize(
    "between",
    [
        fact(1, Result.MATCHES),
        fact(1, Result.MATCHES, way=Way.READBACK),
        fact(1, Result.MATCHES, way=Way.WRITTEN, cold=False),
    ],
)
def test_damage_after_a_proof_or_a_new_writing_is_new(between: Fact) -> None:
    assert kinds(fact(0, Result.DAMAGED), between, fact(2, Result.DAMAGED)) == [
        (0, Result.DAMAGED, "a"),
        (2, Result.DAMAGED, "a"),
    ]


@pytest.mark.parametrize(
    "between",
    [
        fact(1, Result.MATCHES, cold=False),
        fact(1, Result.MATCHES, way=Way.LOOKED),
        fact(1, Result.MATCHES, way=Way.PART),
        fact(1, Result.MATCHES, path="b"),
        fact(1, Result.MISSING, way=Way.LOOKED),
    ],
)
def test_what_proves_nothing_leaves_damage_as_known(between: Fact) -> None:
    assert kinds(fact(0, Result.DAMAGED), between, fact(2, Result.DAMAGED)) == [
        (0, Result.DAMAGED, "a")
    ]


def test_damage_that_becomes_another_kind_is_told_again_and_once() -> None:
    worse = (fact(0, Result.DAMAGED), fact(1, Result.UNREADABLE))
    assert kinds(*worse, fact(2, Result.DAMAGED), fact(3, Result.UNREADABLE)) == [
        (0, Result.DAMAGED, "a"),
        (1, Result.UNREADABLE, "a"),
    ]


def test_what_people_did_is_not_told() -> None:
    assert kinds(fact(0, Result.CHANGED), fact(1, Result.MISSING), fact(2, Result.MATCHES)) == []


def test_a_reading_that_came_right_the_second_time_is_unstable_and_clears_what_was() -> None:
    assert kinds(
        fact(0, Result.DAMAGED),
        fact(1, Result.MATCHES, note=CAME_RIGHT),
        fact(2, Result.DAMAGED),
    ) == [(0, Result.DAMAGED, "a"), (1, Result.UNSTABLE, "a"), (2, Result.DAMAGED, "a")]


facts = st.lists(
    st.builds(
        fact,
        st.integers(0, 50),
        st.sampled_from((*BAD_KINDS, *PEOPLES)),
        st.sampled_from("ab"),
        way=st.sampled_from(Way),
        cold=st.booleans(),
        note=st.sampled_from(["", CAME_RIGHT]),
    ),
    max_size=8,
    unique_by=lambda fact: (fact.at, fact.path),
)


@given(facts, st.randoms(use_true_random=False))
def test_facts_may_come_in_any_order(told: list[Fact], chance: Random) -> None:
    found = newly_bad(told)
    assert found == newly_bad(chance.sample(told, len(told)))
    assert [at for at, _, _ in found] == sorted(at for at, _, _ in found)
    assert all(kind in BAD_KINDS for _, kind, _ in found)
