"""The state of one copy: a table of named cases, then what must hold of any facts at all."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import CopyState, Fact, Place, PlaceId, Result, Standing, Way
from backupkeeper.core.policy import CLOCK_SLACK, Policy, copies_of, copy_of
from tests.core.made_up_copies import (
    CLIP,
    DAY,
    MAIN,
    NOW,
    PATH,
    PLACES,
    SOUND,
    TRAVEL,
    fact,
    mapped,
    place,
)

POLICY = Policy()
PROVEN, DUE, WRITTEN = CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN
DAMAGED, MISSING = CopyState.DAMAGED, CopyState.MISSING
SECOND = timedelta(seconds=1)


def warm(days_ago: float) -> Fact:
    return fact(Way.REHASH, days_ago, cold=False)


def look(days_ago: float, version: str | None = "v1", result: Result = Result.MATCHES) -> Fact:
    return fact(Way.LOOKED, days_ago, result, version=version)


def attested(days_ago: float, version: str | None = "v1") -> Fact:
    return fact(Way.ATTESTED, days_ago, version=version)


def downloaded(days_ago: float) -> Fact:
    return fact(Way.DOWNLOADED, days_ago, version="v1")


def written(days_ago: float) -> Fact:
    return fact(Way.WRITTEN, days_ago)


def readback(days_ago: float) -> Fact:
    return fact(Way.READBACK, days_ago)


def rehash(days_ago: float, result: Result = Result.MATCHES) -> Fact:
    return fact(Way.REHASH, days_ago, result)


CASES: dict[str, tuple[list[Fact], CopyState]] = {
    # what proves
    "written and not read back": ([written(1)], WRITTEN),
    "written, then read back cold": ([written(1), readback(0.9)], PROVEN),
    "written, then read back warm": ([written(1), warm(0.9)], WRITTEN),
    "read warm and nothing else known": ([warm(1)], WRITTEN),
    "looked at and nothing else known": ([look(1)], WRITTEN),
    "read again later": ([rehash(1)], PROVEN),
    "attested on arrival": ([attested(1)], PROVEN),
    "downloaded and hashed": ([downloaded(1)], PROVEN),
    "proven, then written anew": ([readback(3), written(1)], WRITTEN),
    "proven, then read warm": ([readback(3), warm(1)], PROVEN),
    # age
    "a drive's proof as old as allowed": ([rehash(90)], PROVEN),
    "a drive's proof older than allowed": ([rehash(90.01)], DUE),
    "an attested proof as old as allowed": ([attested(30)], PROVEN),
    "an attested proof older than allowed": ([attested(30.01)], DUE),
    "a download as old as allowed": ([downloaded(365)], PROVEN),
    "a download older than allowed": ([downloaded(365.01)], DUE),
    "an old proof, and a warm read since": ([rehash(100), warm(1)], DUE),
    "an old proof, and a younger one": ([rehash(100), rehash(1)], PROVEN),
    # looks
    "attested long ago, looked at since": ([attested(100), look(1)], PROVEN),
    "attested long ago, looked at long ago too": ([attested(100), look(31)], DUE),
    "attested long ago, looked at many times": (
        [attested(99), look(60), look(31), look(2)],
        PROVEN,
    ),
    "attested, looked at before that": ([look(1), attested(0.5)], PROVEN),
    "attested long ago, another version now": ([attested(100), look(1, "v2")], WRITTEN),
    "attested, another version at that instant": ([attested(1), look(1, "v2")], WRITTEN),
    "attested, another version, then its own": (
        [attested(3), look(2, "v2"), look(1, "v1")],
        WRITTEN,
    ),
    "attested with a version, looked at without one": ([attested(3), look(1, None)], WRITTEN),
    "attested without versions, looked at": ([attested(100, None), look(1, None)], PROVEN),
    "another version was seen, then attested anew": (
        [attested(3), look(2, "v2"), attested(1, "v2")],
        PROVEN,
    ),
    "attested, gone at a look": ([attested(3), look(1, None, Result.MISSING)], MISSING),
    "attested, changed at a look": ([attested(3), look(1, "v1", Result.CHANGED)], DAMAGED),
    "a look keeps no download young": ([downloaded(400), look(1)], DUE),
    "a look keeps no drive's proof young": ([rehash(100), look(1, None)], DUE),
    # damage
    "damaged": ([rehash(3), rehash(1, Result.DAMAGED)], DAMAGED),
    "changed": ([rehash(3), rehash(1, Result.CHANGED)], DAMAGED),
    "unreadable": ([rehash(3), rehash(1, Result.UNREADABLE)], DAMAGED),
    "damage seen in a warm read counts": (
        [rehash(3), fact(Way.REHASH, 1, Result.DAMAGED, cold=False)],
        DAMAGED,
    ),
    "damaged, then read warm and fine": ([rehash(3, Result.DAMAGED), warm(1)], DAMAGED),
    "damaged, then looked at": ([rehash(3, Result.DAMAGED), look(1, None)], DAMAGED),
    "damaged, then proven": ([rehash(3, Result.DAMAGED), rehash(1)], PROVEN),
    "damaged, then written anew": ([rehash(3, Result.DAMAGED), written(1)], WRITTEN),
    "damaged, repaired and read back": (
        [rehash(3, Result.DAMAGED), written(1), readback(0.9)],
        PROVEN,
    ),
    # there and gone
    "missing": ([rehash(3), rehash(1, Result.MISSING)], MISSING),
    "missing, then seen again": ([rehash(3), rehash(2, Result.MISSING), look(1, None)], WRITTEN),
    "missing, then read warm": ([rehash(3), rehash(2, Result.MISSING), warm(1)], WRITTEN),
    "missing, then proven": ([rehash(3), rehash(2, Result.MISSING), rehash(1)], PROVEN),
    "missing and seen at one instant": ([rehash(3), rehash(1, Result.MISSING), look(1)], MISSING),
    "never there before, missing, then seen": ([rehash(2, Result.MISSING), look(1)], WRITTEN),
    "damaged, missing, then seen again": (
        [rehash(4, Result.DAMAGED), rehash(3, Result.MISSING), look(2, None), warm(1)],
        DAMAGED,
    ),
    "damaged, proven, missing, then seen again": (
        [rehash(5, Result.DAMAGED), rehash(4), rehash(3, Result.MISSING), look(1, None)],
        WRITTEN,
    ),
    "damaged, missing": ([rehash(4, Result.DAMAGED), rehash(3, Result.MISSING)], MISSING),
    # one instant
    "written and read back at one instant": ([written(1), readback(1)], PROVEN),
    "proven and damaged at one instant": ([rehash(1), rehash(1, Result.DAMAGED)], DAMAGED),
    "proven and missing at one instant": ([rehash(1), rehash(1, Result.MISSING)], MISSING),
    "written and damaged at one instant": ([written(1), rehash(1, Result.DAMAGED)], DAMAGED),
    "proven twice at one instant, by a look too": ([attested(1), look(1)], PROVEN),
    "attested and downloaded at one instant, looked at since": (
        [attested(100), downloaded(100), look(1)],
        PROVEN,
    ),
    "attested and downloaded at one instant more than a year ago, looked at since": (
        [attested(400), downloaded(400), look(1)],
        PROVEN,
    ),
    "damaged and missing at one instant": (
        [rehash(1, Result.DAMAGED), rehash(1, Result.MISSING)],
        MISSING,
    ),
    "damaged and missing at one instant, seen since": (
        [rehash(2, Result.DAMAGED), rehash(2, Result.MISSING), look(1)],
        DAMAGED,
    ),
    # clocks
    "a proof from a clock a little ahead": ([written(-0.4), readback(-0.5)], PROVEN),
    "a proof from a clock a day ahead": ([rehash(-1)], PROVEN),
    "a proof from a clock more than a day ahead": ([rehash(-1.01)], DUE),
    "a proof from years ahead": ([rehash(-1500)], DUE),
    "a look from a clock more than a day ahead": ([attested(1), look(-2)], DUE),
    "damage now, and a proof from a clock an hour ahead": (
        [rehash(0, Result.DAMAGED), rehash(-0.04)],
        DAMAGED,
    ),
    "damage long ago, and a proof from a clock an hour ahead": (
        [rehash(9, Result.DAMAGED), rehash(-0.04)],
        DAMAGED,
    ),
    "missing yesterday, and a proof from a clock an hour ahead": (
        [rehash(1, Result.MISSING), rehash(-0.04)],
        MISSING,
    ),
    "damaged, proven, and proven by a clock an hour ahead": (
        [rehash(9, Result.DAMAGED), rehash(5), rehash(-0.04)],
        PROVEN,
    ),
    "damage from a clock ahead of the proof's": (
        [rehash(0), rehash(-3, Result.DAMAGED)],
        DAMAGED,
    ),
    "damage, then a proof, both from a clock ahead": (
        [rehash(-0.1, Result.DAMAGED), rehash(-0.2)],
        PROVEN,
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_the_state_of_a_copy(case: str) -> None:
    facts, state = CASES[case]
    for ordered in (facts, facts[::-1]):
        assert copy_of(ordered, PLACES[MAIN], POLICY, NOW).state is state


def test_every_state_but_absent_and_out_of_reach_is_in_the_table() -> None:
    assert {state for _, state in CASES.values()} == {PROVEN, DUE, WRITTEN, DAMAGED, MISSING}


@pytest.mark.parametrize("standing", [Standing.LOST, Standing.RETIRED])
@pytest.mark.parametrize("case", CASES)
def test_whatever_is_known_of_it_a_copy_at_a_place_that_was_given_up_is_out_of_reach(
    case: str, standing: Standing
) -> None:
    gone = place(MAIN, standing=standing)
    copy = copy_of(CASES[case][0], gone, POLICY, NOW)
    assert (copy.state, copy.proof) == (CopyState.OUT_OF_REACH, None)


def test_a_copy_names_the_proof_that_counts_and_the_latest_fact() -> None:
    facts = [rehash(80), rehash(40), warm(1)]
    copy = copy_of(facts, PLACES[MAIN], POLICY, NOW)
    assert (copy.proof, copy.latest) == (facts[1], facts[2])
    assert (copy.place, copy.path, copy.content) == (MAIN, PATH, CLIP)
    late = copy_of(facts, PLACES[MAIN], POLICY, NOW + 90 * DAY)
    assert (late.state, late.proof) == (DUE, facts[1])


def test_a_damaged_copy_has_no_proof_that_counts() -> None:
    copy = copy_of([rehash(3), rehash(1, Result.DAMAGED)], PLACES[MAIN], POLICY, NOW)
    assert copy.proof is None


def test_how_long_each_way_of_knowing_counts() -> None:
    assert {way.value: POLICY.age_of(way).days for way in Way} == {
        "written": 0,
        "readback": 90,
        "rehash": 90,
        "attested": 30,
        "downloaded": 365,
        "looked": 0,
        "part": 0,
    }


def test_copies_are_told_apart_by_place_path_and_content() -> None:
    other = f"{PATH} too"
    facts = [
        rehash(1),
        rehash(2),
        replace(rehash(1, Result.DAMAGED), path=other),
        replace(rehash(1), place=TRAVEL),
        replace(rehash(1), content=SOUND, path="a"),
        replace(rehash(1), place=PlaceId("of another person")),
    ]
    copies = copies_of(facts, PLACES, POLICY, NOW)
    assert set(copies) == {CLIP, SOUND}
    assert {(one.place, one.path, one.state) for one in copies[CLIP]} == {
        (MAIN, PATH, PROVEN),
        (MAIN, other, DAMAGED),
        (TRAVEL, PATH, PROVEN),
    }


def test_of_no_facts_come_no_copies() -> None:
    assert copies_of([], PLACES, POLICY, NOW) == {}


# Laws. Times are few, so that ties and clocks that ran ahead are common.
any_fact = st.builds(
    fact,
    st.sampled_from(Way),
    st.sampled_from([400, 100, 31, 30, 3, 2, 1, 0, -0.5, -1, -3]),
    st.sampled_from([*[Result.MATCHES] * 6, *Result]),
    cold=st.booleans(),
    version=st.sampled_from(["v1", "v1", "v2", None]),
)
any_facts = st.lists(any_fact, min_size=1, max_size=7)
any_bad = st.sampled_from([one for one in Result if one is not Result.MATCHES])
AT_HAND: Place = PLACES[MAIN]


def state_of(facts: list[Fact]) -> CopyState:
    return copy_of(facts, AT_HAND, POLICY, NOW).state


@given(any_facts, st.randoms(use_true_random=False))
def test_the_order_in_which_facts_are_told_never_matters(facts: list[Fact], chance: object) -> None:
    shuffled = list(facts)
    chance.shuffle(shuffled)  # type: ignore[attr-defined] # a random.Random, which is banned by name
    assert state_of(shuffled) is state_of(facts)


@given(any_facts)
def test_telling_a_fact_twice_changes_nothing(facts: list[Fact]) -> None:
    assert state_of(facts + facts) is state_of(facts)


@given(any_facts, any_bad, st.sampled_from(Way), st.sampled_from([timedelta(0), SECOND, 5 * DAY]))
def test_a_newer_bad_fact_always_shows(
    facts: list[Fact], bad: Result, way: Way, after: timedelta
) -> None:
    newest = max(one.at for one in facts)
    worse = replace(fact(way, result=bad), at=newest + after)
    assert state_of([*facts, worse]) in {DAMAGED, MISSING}


@given(any_facts, any_bad, st.sampled_from(Way))
def test_what_is_found_bad_just_now_is_never_outdated(
    facts: list[Fact], bad: Result, way: Way
) -> None:
    assert state_of([*facts, fact(way, 0, bad)]) not in {PROVEN, DUE}


@given(any_facts)
def test_without_a_proof_nothing_is_proven_or_due(facts: list[Fact]) -> None:
    rest = [one for one in facts if not one.is_proof] or [written(1)]
    assert state_of(rest) not in {PROVEN, DUE}


@given(any_facts, st.booleans(), st.sampled_from([3, 1, 0]))
def test_no_look_and_no_warm_read_ever_improves_damage(
    facts: list[Fact], is_look: bool, days_ago: int
) -> None:
    if state_of(facts) is DAMAGED:
        assert state_of([*facts, look(days_ago) if is_look else warm(days_ago)]) is DAMAGED


@given(any_facts)
def test_time_alone_never_makes_a_copy_better_once_no_fact_lies_ahead(facts: list[Fact]) -> None:
    start = max(*(one.at for one in facts), NOW)
    states = [copy_of(facts, AT_HAND, POLICY, start + n * DAY).state for n in (0, 20, 80, 200, 900)]
    worth = list(CopyState)
    assert states == sorted(states, key=worth.index)


@given(any_facts)
def test_a_proven_copy_has_a_proof_that_nothing_bad_came_after_and_that_is_young(
    facts: list[Fact],
) -> None:
    copy = copy_of(facts, AT_HAND, POLICY, NOW)
    if copy.state is not PROVEN:
        return
    assert copy.proof is not None
    assert copy.proof.is_proof
    assert copy.proof in facts
    at = copy.proof.at
    assert at - NOW <= CLOCK_SLACK
    bad = [one.at for one in facts if one.at >= at and one.result is not Result.MATCHES]
    written = [one.at for one in facts if one.at > at and one.way is Way.WRITTEN]
    # What a wrong clock dated ahead may have been mended there, too: then a proof came last.
    last = max(one.at for one in facts if one.is_proof)
    assert all(NOW < one < last or one == last > NOW for one in [*bad, *written])
    vouching = [one.at for one in facts if one.way is Way.LOOKED and one.at >= at]
    seen = max([at, *vouching]) if copy.proof.way is Way.ATTESTED else at
    sampled = copy.sampled_at if copy.sampled_at is not None and copy.sampled_at >= at else None
    by_sample = sampled is not None and NOW - sampled <= POLICY.age_of(Way.DOWNLOADED)
    assert by_sample or NOW - seen <= POLICY.age_of(copy.proof.way)


@given(any_facts)
def test_places_of_other_people_make_no_copies(facts: list[Fact]) -> None:
    assert copies_of(facts, mapped(PLACES[TRAVEL]), POLICY, NOW) == {}
