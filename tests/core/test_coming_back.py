"""A place that was lost and is back: nothing that was shown before counts; all that was bad still does."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.coming_back import counting
from backupkeeper.core.model import CopyState, Fact, PlaceId, Result, Way
from backupkeeper.core.policy import Policy, copy_of
from tests.core.made_up_copies import DAY, MAIN, NOW, PLACES, VAULT, fact

BACK = replace(PLACES[MAIN], counts_from=NOW - 5 * DAY)
STORE = replace(PLACES[VAULT], counts_from=NOW - 5 * DAY)
POLICY = Policy()


def stored(way: Way, days_ago: float) -> Fact:
    return fact(way, days_ago, place=PlaceId(VAULT), cold=False, version="v1")


@pytest.mark.parametrize(
    ("facts", "state"),
    [
        ([fact(Way.READBACK, 9)], CopyState.WRITTEN),
        ([fact(Way.READBACK, 5)], CopyState.PROVEN),  # of the very moment: it was here then
        ([fact(Way.READBACK, 9), fact(Way.REHASH, 1)], CopyState.PROVEN),
        ([fact(Way.READBACK, 9), fact(Way.REHASH, 1, cold=False)], CopyState.WRITTEN),
        ([fact(Way.READBACK, 9), fact(Way.LOOKED, 1)], CopyState.WRITTEN),
        ([fact(Way.READBACK, 9), fact(Way.REHASH, 8, Result.DAMAGED)], CopyState.DAMAGED),
        ([fact(Way.REHASH, 9, Result.DAMAGED), fact(Way.REHASH, 8)], CopyState.WRITTEN),
        ([fact(Way.READBACK, 9), fact(Way.LOOKED, 8, Result.MISSING)], CopyState.MISSING),
        ([fact(Way.READBACK, 9), fact(Way.REHASH, 1, Result.DAMAGED)], CopyState.DAMAGED),
        ([fact(Way.READBACK, 400)], CopyState.WRITTEN),
    ],
)
def test_a_drive_that_is_back(facts: list[Fact], state: CopyState) -> None:
    assert copy_of(facts, BACK, POLICY, NOW).state is state


@pytest.mark.parametrize(
    ("facts", "state"),
    [
        ([stored(Way.ATTESTED, 9)], CopyState.WRITTEN),
        ([stored(Way.ATTESTED, 9), stored(Way.LOOKED, 1)], CopyState.WRITTEN),
        ([stored(Way.ATTESTED, 9), stored(Way.DOWNLOADED, 1)], CopyState.PROVEN),
        ([stored(Way.DOWNLOADED, 9), stored(Way.ATTESTED, 1)], CopyState.PROVEN),
    ],
)
def test_a_bucket_that_is_back(facts: list[Fact], state: CopyState) -> None:
    assert copy_of(facts, STORE, POLICY, NOW).state is state


facts_of_main = st.lists(
    st.builds(
        lambda way, days, result, cold: fact(way, days, result, cold=cold),
        st.sampled_from(Way),
        st.integers(-2, 100),
        st.sampled_from(Result),
        st.booleans(),
    ),
    min_size=1,
    max_size=8,
)


@given(facts_of_main, st.integers(0, 99))
def test_it_is_proven_by_nothing_from_before(facts: list[Fact], days: int) -> None:
    back = replace(BACK, counts_from=NOW - timedelta(days=days))
    copy = copy_of(facts, back, POLICY, NOW)
    since = [one for one in facts if one.at >= NOW - timedelta(days=days)]
    if copy.state in {CopyState.PROVEN, CopyState.DUE}:
        assert any(one.is_proof for one in since)
        assert copy.proof in since
    was = copy_of(facts, PLACES[MAIN], POLICY, NOW).state
    if was is CopyState.DAMAGED:
        assert copy.state is CopyState.DAMAGED


@given(facts_of_main)
def test_a_place_that_was_never_away_is_as_it_was(facts: list[Fact]) -> None:
    assert counting(facts, PLACES[MAIN]) is facts
