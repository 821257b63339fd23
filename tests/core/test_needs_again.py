"""What is read again beside damage, once; what the night's share adds; what would be mended in vain."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.deeds import RollNeed, Standing
from backupkeeper.core.model import Copy, CopyState, Fact, PlaceId, Result, Way
from backupkeeper.core.needs import (
    NEAR,
    TICK,
    VAIN,
    Circumstances,
    Proof,
    harmed_at,
    later,
    need_of,
    proof_wanted,
)
from backupkeeper.core.policy import Policy, copies_of
from tests.core.made_up_copies import (
    CLIP,
    DAY,
    MAIN,
    NOW,
    PLACES,
    SOUND,
    TRAVEL,
    VAULT,
    fact,
    roll,
)

ROLL = roll(("DCIM/CLIP0001.MP4", CLIP, 100), ("DCIM/SOUND.WAV", SOUND, 100))
BESIDE = f"{ROLL.head.folder}/DCIM/SOUND.WAV"
ELSEWHERE = tuple(
    fact(way, 30, place=place, path=f"{ROLL.head.folder}/{file.path}", content=file.content)
    for place, way in ((TRAVEL, Way.REHASH), (VAULT, Way.ATTESTED))
    for file in ROLL.files
)


def need(facts: Sequence[Fact], now: datetime = NOW, **changes: object) -> RollNeed | None:
    policy = Policy()
    values = {"places": PLACES, "policy": policy, "now": now, "lead": timedelta(days=14), **changes}
    around = Circumstances(**values)  # type: ignore[arg-type]  # made up by name
    return need_of(ROLL, copies_of([*ELSEWHERE, *facts], PLACES, policy, now), around)


def at_main(*facts: Fact, now: datetime = NOW, **changes: Any) -> Standing:
    found = need(facts, now, **changes)
    empty = Standing(files=0, size_bytes=0)
    return found.at.get(MAIN, empty) if found is not None else empty


def read(days_ago: float, result: Result = Result.MATCHES, **changes: object) -> Fact:
    return fact(Way.REHASH, days_ago, result, **changes)


def beside(days_ago: float, result: Result = Result.MATCHES, **changes: object) -> Fact:
    return read(days_ago, result, path=BESIDE, content=SOUND, **changes)


ROT = [Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE, Result.UNSTABLE]
days = st.floats(0, 40).map(lambda found: round(found, 3))


def newly_found(facts: list[Fact]) -> datetime | None:
    """When rot was found last, unless it was known already."""
    found, is_known = None, False
    for one in sorted(facts, key=lambda one: (one.at, one.result in ROT)):
        if one.result in ROT and not is_known:
            found = one.at
        is_known = one.result in ROT
    return found


@given(
    st.lists(st.tuples(days, st.sampled_from([*ROT, Result.MATCHES])), min_size=1, max_size=5),
    days,
    st.floats(0, 1),
)
def test_damage_asks_for_its_neighbour_to_be_read_and_one_reading_is_enough(
    told: list[tuple[float, Result]], proven: float, after: float
) -> None:
    facts = [*(read(ago, result) for ago, result in told), beside(proven)]
    harm = newly_found(facts[:-1])
    before = at_main(*facts)
    is_old = harm is not None and NOW - proven * DAY < harm - NEAR
    assert before.neighbours is is_old
    if not is_old or harm is None:
        return
    assert before.before == harm - NEAR
    assert NOW - proven * DAY < before.before  # what is told to be read is what is meant
    again = at_main(*facts, beside(-after), now=NOW + after * DAY)
    assert not again.neighbours
    assert again.unproven_files == 0


@given(st.lists(st.sampled_from([Result.MATCHES, Result.DAMAGED]), min_size=1, max_size=8), days)
def test_readings_of_one_session_never_ask_for_one_another(
    results: list[Result], begun: float
) -> None:
    """File after file, bad and good, some twice: within a day nothing asks to be read again."""
    step = 0.9 / len(results)
    facts = [beside(begun + 1)]
    for n, result in enumerate(results):
        ago = begun + 0.9 - n * step
        facts.append(read(ago, result) if n % 2 else beside(ago, result))
        now = NOW - ago * DAY
        standing = at_main(*facts, now=now)
        if n >= 1 or results[0] is Result.DAMAGED:  # both were read, or the one beside is bad
            assert not standing.neighbours


def test_damage_found_later_once_more_asks_once_more() -> None:
    first = (beside(30), read(20, Result.DAMAGED), read(19.9), beside(19.5))
    assert not at_main(*first).neighbours
    second = (*first, read(2, Result.UNREADABLE))
    assert at_main(*second).neighbours
    assert not at_main(*second, beside(1)).neighbours


def test_damage_that_a_wrong_clock_dated_ahead_hides_none_that_was_found() -> None:
    standing = at_main(beside(30), read(2, Result.DAMAGED), read(-4000, Result.DAMAGED))
    assert standing.neighbours
    assert standing.before == NOW - 2 * DAY - NEAR


def test_damage_on_one_drive_asks_for_nothing_on_another_nor_of_an_object() -> None:
    found = need([beside(30), read(30), read(2, Result.DAMAGED, place=TRAVEL)])
    assert found is not None
    assert found.at[TRAVEL].neighbours
    assert not found.at[MAIN].neighbours
    bad = fact(Way.DOWNLOADED, 2, Result.DAMAGED, place=VAULT)
    found = need([beside(1), read(1), bad])
    assert found is not None
    assert not found.at[VAULT].neighbours


def test_a_neighbour_that_this_mount_can_only_read_warm_is_vain() -> None:
    told = (beside(30), read(2, Result.DAMAGED), beside(1, cold=False, mount="boot:1"))
    standing = at_main(*told, mounted={MAIN: "boot:1"})
    assert (standing.neighbours, standing.vain, standing.unproven_files) == (False, VAIN, 0)
    assert at_main(*told, mounted={MAIN: "boot:2"}).neighbours


# -- the night's share


def test_the_nights_share_is_what_is_no_younger_than_its_cutoff_and_no_more() -> None:
    told = (read(40), beside(20))
    for ago, files in ((41, 0), (40, 1), (21, 1), (20, 2)):
        cutoff = NOW - ago * DAY
        standing = at_main(*told, cutoffs={MAIN: cutoff})
        assert standing.ageing_files == files
        assert standing.before == (cutoff + TICK if files else None)
        assert not at_main(*told, cutoffs={PlaceId("spare"): cutoff}).ageing_files
    assert not at_main(*told).ageing_files


@given(days, days)
def test_what_was_read_tonight_is_not_in_tonights_share_again(proven: float, share: float) -> None:
    cutoffs = {MAIN: NOW - max(share, 0.01) * DAY}
    before = at_main(read(proven), beside(0), cutoffs=cutoffs)
    assert bool(before.ageing_files) is (read(proven).at <= cutoffs[MAIN])
    assert not at_main(read(proven), read(0), beside(0), cutoffs=cutoffs).ageing_files


def test_what_lies_beside_damage_and_is_in_the_share_is_read_for_the_later_of_both() -> None:
    told = (beside(30), read(2, Result.DAMAGED), read(1))
    standing = at_main(*told, cutoffs={MAIN: NOW - DAY})
    assert (standing.neighbours, standing.ageing_files) == (True, 1)
    assert standing.before == NOW - DAY + TICK


# -- mending


def mendable(*facts: Fact, **changes: Any) -> dict[frozenset[PlaceId], int]:
    standing = at_main(*facts, **changes)
    return {needed[0]: files for needed, (files, _) in standing.mendable.items() if needed}


@pytest.mark.parametrize("result", list(Result))
def test_what_is_mended_without_asking_is_what_the_drive_did(result: Result) -> None:
    found = mendable(beside(1), read(0, result))
    mended = {Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE}
    assert found == ({frozenset({TRAVEL, VAULT}): 1} if result in mended else {})


def test_files_that_need_the_same_places_are_counted_together() -> None:
    standing = at_main(beside(0, Result.DAMAGED), read(0, Result.CUT_OFF))
    assert dict(standing.mendable) == {(frozenset({TRAVEL, VAULT}),): (2, 200)}


def test_nothing_is_mended_of_which_some_bytes_are_right_nowhere() -> None:
    bad = [
        read(0, Result.DAMAGED, damage=((0, 9),)),
        read(0, Result.DAMAGED, damage=((0, 9),), place=TRAVEL),
        fact(Way.DOWNLOADED, 0, Result.DAMAGED, place=VAULT, damage=((50, 60),)),
    ]
    assert mendable(beside(1), *bad) == {}
    assert mendable(beside(1), *bad[:2]) == {frozenset({VAULT}): 1}


def test_objects_are_not_mended_as_drives_are() -> None:
    bad = fact(Way.DOWNLOADED, 0, Result.DAMAGED, place=VAULT)
    found = need([beside(1), read(1), bad])
    assert found is not None
    assert found.at[VAULT].damaged_files == 1
    assert found.at[VAULT].mendable == {}


def test_what_came_right_and_can_not_be_shown_in_this_mount_is_not_mended_again_and_again() -> None:
    """Read warm and right: each repair would read it, find nothing to mend, and be planned again."""
    told = (beside(1), read(2, Result.DAMAGED), read(1, cold=False, mount="boot:1"))
    here = at_main(*told, mounted={MAIN: "boot:1"})
    assert (here.damaged_files, here.mendable, here.vain) == (1, {}, VAIN)
    again = at_main(*told, mounted={MAIN: "boot:2"})
    assert (len(again.mendable), again.vain) == (1, "")


def test_what_is_wrong_also_from_the_cache_is_mended_in_this_mount() -> None:
    bad = read(1, Result.DAMAGED, cold=False, mount="boot:1")
    assert at_main(beside(1), bad, mounted={MAIN: "boot:1"}).mendable


# -- small parts


def test_the_later_of_two_moments_is_the_one_there_is() -> None:
    assert later(None, None) is None
    assert later(NOW, None) == later(None, NOW) == later(NOW, NOW - DAY) == NOW


def test_damage_is_known_by_place_the_newest() -> None:
    def harmed(place: PlaceId, at: datetime | None) -> Copy:
        return Copy(place=place, path="", content=CLIP, state=CopyState.PROVEN, harmed_at=at)

    copies = [harmed(MAIN, NOW - DAY), harmed(MAIN, NOW), harmed(MAIN, None), harmed(TRAVEL, None)]
    assert harmed_at(copies) == harmed_at(copies[::-1]) == {MAIN: NOW}


def test_without_damage_beside_it_a_proven_copy_is_left_alone() -> None:
    (copy,) = copies_of([read(30)], PLACES, Policy(), NOW)[CLIP]
    around = Circumstances(places=PLACES, policy=Policy(), now=NOW)
    assert proof_wanted(copy, around) is Proof.NOT_WANTED
    assert proof_wanted(copy, around, NOW) is Proof.NEIGHBOUR
    attested = replace(copy, proof=fact(Way.ATTESTED, 29, place=VAULT))
    assert proof_wanted(attested, around, NOW) is Proof.NOT_WANTED
