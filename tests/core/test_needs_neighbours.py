"""What is read soon because damage was found beside it: errors come in clusters."""

from datetime import timedelta

import pytest

from backupkeeper.core.deeds import Standing
from backupkeeper.core.model import BLOCK_BYTES, Fact, Result, Way
from backupkeeper.core.needs import Circumstances, need_of
from backupkeeper.core.policy import Policy, copies_of
from tests.core.made_up_copies import CLIP, MAIN, NOW, PLACES, SOUND, TRAVEL, VAULT, fact, roll

ROLL = roll(("DCIM/CLIP0001.MP4", CLIP, 100), ("DCIM/SOUND.WAV", SOUND, 100))
BESIDE = f"{ROLL.head.folder}/DCIM/SOUND.WAV"
ELSEWHERE = tuple(
    fact(way, 30, place=place, path=f"{ROLL.head.folder}/{file.path}", content=file.content)
    for place, way in ((TRAVEL, Way.REHASH), (VAULT, Way.ATTESTED))
    for file in ROLL.files
)


def at_main(*facts: Fact) -> Standing | None:
    places, policy = PLACES, Policy()
    around = Circumstances(places=places, policy=policy, now=NOW, lead=timedelta(days=14))
    found = need_of(ROLL, copies_of([*ELSEWHERE, *facts], places, policy, NOW), around)
    return found.at.get(MAIN) if found is not None else None


def read(days_ago: float, result: Result = Result.MATCHES, **changes: object) -> Fact:
    return fact(Way.REHASH, days_ago, result, **changes)


def beside(days_ago: float, result: Result = Result.MATCHES) -> Fact:
    return read(days_ago, result, path=BESIDE, content=SOUND)


ROT = [Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE, Result.UNSTABLE]


@pytest.mark.parametrize("result", ROT)
def test_what_lies_beside_damage_is_read_soon(result: Result) -> None:
    standing = at_main(beside(30), read(2, result))
    assert standing is not None
    assert standing.neighbours
    assert (standing.unproven_files, standing.unproven_bytes) == (1, 100)
    assert standing.before == NOW - timedelta(days=3)


@pytest.mark.parametrize("result", [Result.CHANGED, Result.MISSING])
def test_what_lies_beside_an_edit_or_a_deletion_is_not(result: Result) -> None:
    standing = at_main(beside(30), read(2, result))
    assert standing is not None
    assert not standing.neighbours


def test_it_is_read_too_where_the_damage_was_mended_before() -> None:
    standing = at_main(beside(30), read(2, Result.DAMAGED), read(1))
    assert standing is not None
    assert standing.neighbours
    assert standing.unproven_files == 1


def test_what_was_read_on_the_same_day_or_later_is_not_read_again() -> None:
    for days_ago in (2.9, 1):
        standing = at_main(beside(days_ago), read(2, Result.DAMAGED), read(1.5))
        assert standing is None or not standing.neighbours


def test_damage_that_a_wrong_clock_dated_into_the_future_asks_for_no_reading_yet() -> None:
    standing = at_main(beside(30), read(-40, Result.DAMAGED))
    assert standing is not None
    assert standing.damaged_files == 1
    assert not standing.neighbours


def test_damage_that_is_found_again_and_again_is_one_find() -> None:
    """A repair that waits for a source tells of the damage each time that it tries."""
    again = [read(days_ago, Result.DAMAGED) for days_ago in (25, 10, 1)]
    for facts in (again, [*again, read(0.9)]):
        standing = at_main(beside(20), *facts)
        assert standing is None or not standing.neighbours
        standing = at_main(beside(30), *facts)
        assert standing is not None
        assert standing.neighbours


def test_damage_after_it_was_mended_is_a_new_find() -> None:
    standing = at_main(beside(20), read(25, Result.DAMAGED), read(24), read(2, Result.CUT_OFF))
    assert standing is not None
    assert standing.neighbours
    assert standing.before == NOW - timedelta(days=3)


def test_damage_that_got_worse_is_a_new_find_and_damage_told_more_narrowly_is_not() -> None:
    first = read(25, Result.DAMAGED, damage=((0, BLOCK_BYTES),))
    same = [((0, 512),), ((512, 600), (700, 900))]
    for damage in same:
        standing = at_main(beside(20), first, read(2, Result.DAMAGED, damage=damage))
        assert standing is not None
        assert not standing.neighbours
    for damage in [((0, BLOCK_BYTES + 1),), ((9 * BLOCK_BYTES, 9 * BLOCK_BYTES + 1),), ()]:
        standing = at_main(beside(20), first, read(2, Result.UNREADABLE, damage=damage))
        assert standing is not None
        assert standing.neighbours
