"""Proofs that a wrong clock dated into the future: no comfort, and no trouble for ever."""

import pytest

from backupkeeper.core.model import CopyState, Fact, Result, Way
from backupkeeper.core.policy import Policy, copy_of
from tests.core.made_up_copies import MAIN, NOW, PLACES, fact


def state(*facts: Fact) -> CopyState:
    return copy_of(facts, PLACES[MAIN], Policy(), NOW).state


def proof(days_ago: float) -> Fact:
    return fact(Way.REHASH, days_ago)


def bad(days_ago: float) -> Fact:
    return fact(Way.REHASH, days_ago, Result.DAMAGED)


@pytest.mark.parametrize(
    ("facts", "wanted"),
    [
        ([proof(-400)], CopyState.DUE),
        ([proof(-400), proof(1)], CopyState.PROVEN),
        ([proof(-400), proof(100)], CopyState.DUE),
        ([proof(-400), bad(1)], CopyState.DAMAGED),
        ([bad(-400), proof(1)], CopyState.DAMAGED),
        ([proof(-400), bad(-401), proof(1)], CopyState.DAMAGED),
        ([proof(-400), bad(-401), proof(-402), proof(1)], CopyState.PROVEN),
        ([proof(-400), bad(-401), proof(-402), bad(-403), proof(1)], CopyState.DAMAGED),
        ([proof(-400), bad(2), proof(1)], CopyState.PROVEN),
        ([proof(-0.5), proof(1)], CopyState.PROVEN),
        ([fact(Way.WRITTEN, 1), proof(-400)], CopyState.DUE),
    ],
)
def test_what_was_seen_till_now_counts_where_both_say_well(
    facts: list[Fact], wanted: CopyState
) -> None:
    for ordered in (facts, facts[::-1]):
        assert state(*ordered) is wanted
