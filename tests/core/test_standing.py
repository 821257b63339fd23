"""Ages of proofs, what came together over time, harm and its mending."""

from dataclasses import replace
from datetime import datetime, timedelta

from hypothesis import given, strategies as st

from backupkeeper.core.harm import NO_RIGHT
from backupkeeper.core.model import Blake3, Fact, PlaceId, Result, Role, RollHead, Standing, Way
from backupkeeper.core.overview import Harm
from backupkeeper.core.policy import Policy
from backupkeeper.core.standing import (
    LEAST_STEP,
    MOST_LEVELS,
    AgeTally,
    FirstTally,
    edges_of,
    harms,
    levels,
    proof_ages,
    scale_of,
)
from tests.report.boatyard import MAIN, NOW, OFF_SITE, PLACES, head, place

DAY = timedelta(days=1)
FOLDER = head().folder
PATH = f"{FOLDER}/DCIM/100BOATY/BOAT0001.MP4"
NAME = Blake3("ab" * 32)
PLACES_BY_ID = {one.id: one for one in PLACES}


# -- ages


def test_bins_end_where_a_proof_becomes_too_old() -> None:
    assert edges_of(Policy()) == (7, 30, 90, 365)
    short = Policy(drive_proof_age=timedelta(days=59, hours=2), attested_age=timedelta(0))
    assert edges_of(short) == (7, 30, 60, 90, 365)
    assert edges_of(Policy(attested_age=DAY)) == (1, 7, 30, 90, 365)


def test_every_role_has_every_bin_and_only_places_in_use_count() -> None:
    counted = [
        AgeTally(place=MAIN, bin=0, files=3, size_bytes=30),
        AgeTally(place=MAIN, bin=2, files=1, size_bytes=10),
        AgeTally(place=OFF_SITE, bin=None, files=2, size_bytes=20),
        AgeTally(place=PlaceId("gone"), bin=1, files=9, size_bytes=90),
    ]
    gone = place(Role.PRIMARY, id=PlaceId("gone"), standing=Standing.LOST)
    found = proof_ages(
        counted, {**PLACES_BY_ID, gone.id: gone}, (Role.PRIMARY, Role.CLOUD), (7, 30)
    )
    assert [(one.role, one.days_from, one.days_to, one.files, one.size_bytes) for one in found] == [
        (Role.PRIMARY, 0, 7, 3, 30),
        (Role.PRIMARY, 7, 30, 0, 0),
        (Role.PRIMARY, 30, None, 1, 10),
        (Role.PRIMARY, None, None, 0, 0),
        (Role.CLOUD, 0, 7, 0, 0),
        (Role.CLOUD, 7, 30, 0, 0),
        (Role.CLOUD, 30, None, 0, 0),
        (Role.CLOUD, None, None, 2, 20),
    ]


def test_places_of_one_role_are_added_up() -> None:
    two = place(Role.PRIMARY, id=PlaceId("two"))
    counted = [
        AgeTally(place=one, bin=0, files=files, size_bytes=10 * files)
        for one, files in ((MAIN, 3), (two.id, 4), (MAIN, 5))
    ]
    found = proof_ages(counted, {**PLACES_BY_ID, two.id: two}, (Role.PRIMARY,), ())
    assert [(one.files, one.size_bytes) for one in found] == [(12, 120), (0, 0)]


# -- over time


def rolls(*days: float) -> list[RollHead]:
    return [replace(head(), sealed_at=NOW - one * DAY, size_bytes=10) for one in days]


def test_no_roll_no_scale_and_no_levels() -> None:
    assert scale_of([], NOW) is None
    assert levels(None, [], [], (Role.PRIMARY,), NOW) == ()


def test_levels_rise_to_what_there_is_now() -> None:
    heads = rolls(240, 120, 0)
    scale = scale_of(heads, NOW)
    assert scale is not None
    assert (scale.length, scale.count) == (2 * DAY, MOST_LEVELS)
    firsts = [
        FirstTally(role=Role.PRIMARY, step=0, size_bytes=10),
        FirstTally(role=Role.PRIMARY, step=60, size_bytes=10),
        FirstTally(role=Role.PRIMARY, step=500, size_bytes=10),
        FirstTally(role=Role.SECONDARY, step=0, size_bytes=10),
    ]
    found = levels(scale, heads, firsts, (Role.PRIMARY, Role.CLOUD), NOW)
    assert [one.taken_bytes for one in (found[0], found[59], found[60], found[-1])] == [
        10,
        10,
        20,
        30,
    ]
    assert found[-1].proven_bytes == {Role.PRIMARY: 30, Role.CLOUD: 0}
    assert found[-1].at == NOW


def test_steps_are_as_many_as_hours_began_and_each_ends_an_hour_later() -> None:
    hour = timedelta(hours=1)
    for ago, count in ((0, 1), (0.5, 1), (2, 2), (2.5, 3), (-5, 1)):
        scale = scale_of(rolls(ago / 24), NOW)
        assert scale is not None
        assert (scale.length, scale.count) == (hour, count), ago
        assert [scale.end_of(n) - scale.begin for n in range(3)] == [hour, 2 * hour, 3 * hour]


def test_each_step_has_what_came_in_it() -> None:
    heads = rolls(4 / 24, 1.5 / 24, 1 / 24, 0)
    scale = scale_of(heads, NOW)
    assert scale is not None
    firsts = [
        FirstTally(role=Role.PRIMARY, step=step, size_bytes=size)
        for step, size in ((-1, 1), (0, 10), (0, 100), (1, 1000), (3, 10_000), (4, 100_000))
    ]
    found = levels(scale, heads, firsts, (Role.PRIMARY,), NOW)
    assert [one.at for one in found] == [NOW - n / 24 * DAY for n in (3, 2, 1, 0)]
    assert [one.taken_bytes for one in found] == [10, 10, 20, 40]
    assert [one.proven_bytes[Role.PRIMARY] for one in found] == [111, 1111, 1111, 111_111]


@given(st.lists(st.floats(-3, 4000), min_size=1, max_size=9))
def test_levels_are_few_and_never_fall_and_end_now(days: list[float]) -> None:
    heads = rolls(*days)
    scale = scale_of(heads, NOW)
    assert scale is not None
    found = levels(scale, heads, [], (Role.PRIMARY,), NOW)
    assert 1 <= len(found) <= MOST_LEVELS
    assert scale.length >= LEAST_STEP
    assert [one.at for one in found] == sorted(one.at for one in found)
    assert [one.taken_bytes for one in found] == sorted(one.taken_bytes for one in found)
    assert found[-1].taken_bytes == 10 * len(days)
    assert found[-1].at == max(NOW, scale.begin)


# -- harm


def fact(days: float, result: Result = Result.MATCHES, **changes: object) -> Fact:
    values: dict[str, object] = {
        "at": NOW - days * DAY,
        "place": MAIN,
        "path": PATH,
        "content": NAME,
        "way": Way.REHASH,
        "result": result,
        "cold": True,
    }
    return Fact(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def found_in(*facts: Fact, since: datetime = NOW - 365 * DAY) -> tuple[Harm, ...]:
    return harms(facts, "Main", frozenset({FOLDER}), {NAME: 1200}, since=since, now=NOW)


def test_damage_that_was_mended_says_when_and_how_much() -> None:
    hurt = fact(9, Result.DAMAGED, damage=((0, 100), (200, 250)), note="two blocks")
    assert found_in(fact(20), hurt, fact(8)) == (
        Harm(
            place="Main",
            folder=FOLDER,
            path=PATH,
            content=NAME,
            result=Result.DAMAGED,
            found_at=NOW - 9 * DAY,
            size_bytes=1200,
            hurt_bytes=150,
            mended_at=NOW - 8 * DAY,
            note="two blocks",
        ),
    )


def test_found_again_it_is_one_harm_and_damage_anew_is_another() -> None:
    again = found_in(fact(9, Result.DAMAGED), fact(7, Result.UNREADABLE))
    assert [(one.found_at, one.result, one.mended_at) for one in again] == [
        (NOW - 9 * DAY, Result.UNREADABLE, None)
    ]
    anew = found_in(fact(9, Result.DAMAGED), fact(8), fact(7, Result.CUT_OFF))
    assert [(one.found_at, one.mended_at) for one in anew] == [
        (NOW - 7 * DAY, None),
        (NOW - 9 * DAY, NOW - 8 * DAY),
    ]


def test_only_a_proof_of_now_mends() -> None:
    hurt = fact(9, Result.DAMAGED)
    for no_proof in (
        fact(8, cold=False),
        fact(8, way=Way.WRITTEN, cold=False),
        fact(8, way=Way.LOOKED, cold=False),
        fact(-2),
        fact(9),
        fact(8, content=Blake3("cd" * 32)),
    ):
        assert [one.mended_at for one in found_in(hurt, no_proof)] == [None], no_proof


def test_a_proof_of_this_very_moment_mends() -> None:
    assert [one.mended_at for one in found_in(fact(9, Result.DAMAGED), fact(0))] == [NOW]


def test_how_much_is_hurt_is_told_only_where_it_is_known() -> None:
    assert [one.hurt_bytes for one in found_in(fact(9, Result.UNREADABLE))] == [None]
    unknown = Blake3("cd" * 32)
    assert [one.size_bytes for one in found_in(fact(9, Result.DAMAGED, content=unknown))] == [0]


def test_old_harm_is_told_only_where_it_is_not_mended() -> None:
    assert found_in(fact(900, Result.DAMAGED), fact(899)) == ()
    assert len(found_in(fact(365, Result.DAMAGED), fact(364))) == 1
    assert len(found_in(fact(900, Result.DAMAGED))) == 1


def test_what_is_gone_or_may_not_be_read_is_no_harm_and_an_edit_is() -> None:
    assert found_in(fact(9, Result.MISSING), fact(9, Result.UNREADABLE, note=NO_RIGHT)) == ()
    assert [one.result for one in found_in(fact(9, Result.CHANGED))] == [Result.CHANGED]


def test_the_folder_is_the_rolls_where_there_is_one() -> None:
    stray = found_in(
        fact(9, Result.DAMAGED, path="a/b/c.MP4"), fact(9, Result.DAMAGED, path="d.MP4")
    )
    assert [one.folder for one in stray] == ["a/b", ""]
