"""Which facts may go, and that nothing that is computed from them changes."""

from collections.abc import Iterable
from datetime import datetime, timedelta

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.harm import CAME_RIGHT, in_doubt, last_harm
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Role,
    Way,
)
from backupkeeper.core.policy import Policy, copies_of
from backupkeeper.core.sightings import newly_bad
from backupkeeper.core.standing import harms
from backupkeeper.core.thinning import AGAIN, spare
from tests.core.made_up_lives import (
    BUCKET,
    DRIVE,
    EVER,
    NOW,
    OF_ONE_VERSION,
    ONE,
    OTHER,
    fact,
    lives,
)

AS_BEFORE = (CopyState.PROVEN, CopyState.DUE)


def place(ident: PlaceId, counts_from: datetime | None = None) -> Place:
    return Place(
        id=ident,
        name="Main" if ident == DRIVE else "Off site",
        role=Role.PRIMARY if ident == DRIVE else Role.CLOUD,
        kind=PlaceKind.DRIVE if ident == DRIVE else PlaceKind.BUCKET,
        created_at=EVER,
        location="/m",
        counts_from=counts_from,
    )


def thin(facts: frozenset[Fact], now: datetime = NOW) -> frozenset[Fact]:
    return facts - frozenset(spare(facts, now))


POLICIES = st.builds(
    Policy,
    drive_proof_age=st.sampled_from([1, 90, 900, 3650]).map(lambda n: timedelta(days=n)),
    attested_age=st.sampled_from([1, 30, 900, 3650]).map(lambda n: timedelta(days=n)),
    downloaded_age=st.sampled_from([1, 365, 900, 3650]).map(lambda n: timedelta(days=n)),
)
"""As ``config`` lets them be: 1 to 3650 days each."""


def stay_for_ever(facts: frozenset[Fact]) -> frozenset[Fact]:
    """What two machines must both know so that thinning before merging changes nothing."""
    return frozenset(
        one
        for one in facts
        if one.result is not Result.MATCHES
        or one.way not in AGAIN
        or one.note == CAME_RIGHT
        or str(one.version).startswith("doubt")
    )


def test_of_equal_good_facts_the_first_and_the_latest_stay() -> None:
    old = [fact(days, mount=f"b:{days}") for days in (900, 800, 700, 600, 300, 200)]
    assert set(spare(old, NOW)) == {old[1], old[2]}


def test_each_kind_has_its_own_first_and_latest() -> None:
    cold = [fact(days) for days in (900, 800, 700)]
    warm = [fact(days, cold=False) for days in (890, 790, 690)]
    otherwise = [fact(days, evidence="after a new mount") for days in (880, 780, 680)]
    found = set(spare([*cold, *warm, *otherwise], NOW))
    assert found == {cold[1], warm[1], otherwise[1]}


def test_what_stands_beside_something_bad_stays() -> None:
    good = [fact(days) for days in (900, 850, 800, 700, 650, 600)]
    bad = fact(750, result=Result.DAMAGED)
    assert set(spare([*good, bad], NOW)) == {good[1], good[4]}
    of_another_content = fact(750, result=Result.MISSING, content=OTHER)
    assert set(spare([*good, of_another_content], NOW)) == {good[1], good[4]}
    elsewhere = fact(750, result=Result.DAMAGED, path="b.mov")
    assert set(spare([*good, elsewhere], NOW)) == set(good[1:-1])


@pytest.mark.parametrize("way", [Way.WRITTEN, Way.READBACK, Way.ATTESTED, Way.PART])
def test_what_is_not_done_over_and_over_stays(way: Way) -> None:
    assert spare([fact(days, way) for days in (900, 800, 700)], NOW) == []


def test_what_came_right_only_later_stays() -> None:
    assert spare([fact(days, note=CAME_RIGHT) for days in (900, 800, 700)], NOW) == []


def test_a_look_that_saw_another_version_stays_and_parts_what_is_around_it() -> None:
    sent = fact(950, Way.ATTESTED, place=BUCKET, version="v1")
    looks = [fact(days, Way.LOOKED, place=BUCKET, version="v1") for days in (900, 850, 800, 750, 700)]  # fmt: skip
    assert set(spare([sent, *looks], NOW)) == set(looks[1:-1])
    other = fact(820, Way.LOOKED, place=BUCKET, version="v2")
    assert set(spare([sent, *looks, other], NOW)) == {looks[3]}
    assert spare([fact(days, Way.LOOKED, place=BUCKET, version="v3") for days in (9, 8, 7)], NOW) == []  # fmt: skip


def test_where_proofs_know_two_versions_all_stays() -> None:
    sent = [fact(days, Way.ATTESTED, place=BUCKET, version=f"v{days}") for days in (950, 940)]
    looks = [fact(days, Way.LOOKED, place=BUCKET, version="v940") for days in (900, 850, 800)]
    assert spare([*sent, *looks], NOW) == []
    assert spare([sent[1], *looks], NOW) == [looks[1]]


def test_up_to_four_hundred_days_all_stays() -> None:
    facts = [fact(days) for days in (402, 401, 400, 399)]
    assert spare(facts, NOW) == []
    assert spare(facts, NOW + timedelta(microseconds=1)) == [facts[1]]


@given(lives(), st.integers(0, 900))
def test_thinned_twice_or_sooner_is_thinned_once(facts: frozenset[Fact], days: int) -> None:
    assert thin(thin(facts)) == thin(facts)
    assert thin(thin(facts, NOW - timedelta(days=days))) == thin(facts)


@given(lives(OF_ONE_VERSION), lives(OF_ONE_VERSION))
def test_thinning_before_merging_changes_nothing_where_both_know_what_stays_for_ever(
    mine: frozenset[Fact], theirs: frozenset[Fact]
) -> None:
    shared = stay_for_ever(mine | theirs) | {
        fact(4000, way, place=where, version=version, content=content)
        for way, where, version in ((Way.READBACK, DRIVE, None), (Way.ATTESTED, BUCKET, "v1"))
        for content in (ONE, OTHER)
    }
    mine, theirs = mine | shared, theirs | shared
    assert thin(thin(mine) | thin(theirs)) == thin(mine | theirs)
    assert thin(thin(mine) | theirs) == thin(mine | theirs)


@given(lives(), lives())
def test_whatever_a_merge_brings_nothing_bad_is_lost_and_nothing_is_made_up(
    mine: frozenset[Fact], theirs: frozenset[Fact]
) -> None:
    merged = thin(thin(mine) | thin(theirs))
    assert merged <= mine | theirs
    assert {one for one in mine | theirs if one.result is not Result.MATCHES} <= merged


def stands(facts: Iterable[Fact], counts_from: datetime | None, policy: Policy, now: datetime) -> dict[tuple[str, str, str], Copy]:  # fmt: skip
    places = {ident: place(ident, counts_from) for ident in (DRIVE, BUCKET)}
    # In one order: of two facts of one instant and rank any may be named as the newest.
    found = copies_of(sorted(facts, key=repr), places, policy, now)
    return {(one.place, one.path, one.content): one for group in found.values() for one in group}


@settings(max_examples=400)
@given(lives(), st.integers(0, 4000), POLICIES, st.none() | st.integers(0, 1300))
def test_nothing_that_is_computed_changes(
    facts: frozenset[Fact], later: int, policy: Policy, back: int | None
) -> None:
    now, thinned = NOW + timedelta(days=later), thin(facts)
    counts_from = None if back is None else NOW - timedelta(days=back)
    # All of each copy: its state, the very proof, the newest fact, when it was hurt and fetched back.
    was = stands(facts, counts_from, policy, now)
    assert stands(thinned, counts_from, policy, now) == was
    for where in (DRIVE, BUCKET):
        of_all, of_left = ([one for one in some if one.place == where] for some in (facts, thinned))
        assert newly_bad(of_left) == newly_bad(of_all)
        assert last_harm(of_left, now) == last_harm(of_all, now)
        assert in_doubt(of_left, now) == in_doubt(of_all, now)
        told = [
            harms(some, "Main", frozenset(), {}, since=EVER, now=now) for some in (of_left, of_all)
        ]
        assert told[0] == told[1]
        for content in (ONE, OTHER):
            assert first_proof(of_left, content) == first_proof(of_all, content)


def first_proof(facts: Iterable[Fact], content: Blake3) -> datetime | None:
    return min((one.at for one in facts if one.is_proof and one.content == content), default=None)


@settings(max_examples=400)
@given(lives(), st.integers(0, 1300), POLICIES)
def test_with_a_clock_that_was_set_back_no_copy_stands_better_than_it_did(
    facts: frozenset[Fact], back: int, policy: Policy
) -> None:
    now = NOW - timedelta(days=back)
    was = stands(facts, None, policy, now)
    order = list(CopyState)
    for copy, stands_now in stands(thin(facts), None, policy, now).items():
        assert order.index(stands_now.state) >= order.index(was[copy].state)
        assert (stands_now.state in AS_BEFORE) is (was[copy].state in AS_BEFORE)
        if stands_now.proof is not None:
            before = was[copy].proof
            assert before is not None
            assert stands_now.proof.at <= before.at
