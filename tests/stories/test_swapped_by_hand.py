"""Two rolls that swapped folders, clips that swapped names, files put into another roll's folder by hand."""

import os
import shutil
from datetime import timedelta

import pytest

from backupkeeper.actions.changes import Changes, look_at_changes
from backupkeeper.actions.survey import survey
from backupkeeper.core.model import Result, Role
from backupkeeper.core.outcomes import Answer, VerifyOutcome
from tests.stories.scoped_yard import ScopedYard
from tests.stories.test_moved_by_hand import (
    CARD,
    CLIP,
    OLD,
    ROLL,
    entries,
    findings,
    move,
    take,
    yard,
)
from tests.stories.typed import typed
from tests.stories.yard import QUIET, SHOOT, clip, rot

__all__ = ["yard"]
SECOND = f"{SHOOT}/Originals/Wide/Roll 02"
OTHER_NAMES = {
    "DCIM/101BOATY/BOAT0101.MP4": clip(11),
    "DCIM/101BOATY/BOAT0102.MP4": clip(12, 200_001),
    "DCIM/101BOATY/BOAT0101.XML": b"<clip2/>\n",
    "NOTE.TXT": b"",
}
SAME_NAMES = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(21, 310_000),
    "DCIM/100BOATY/BOAT0002.MP4": clip(22, 210_000),
    "DCIM/100BOATY/BOAT0001.XML": b"<another clip/>\n",
    "NOTE.TXT": b"the afternoon",
}
SAME_SIZES = {path: bytes(reversed(data)) or data for path, data in CARD.items()}
SAME_SIZES[CLIP] = clip(31)
SAME_SIZES["DCIM/100BOATY/BOAT0002.MP4"] = clip(32, 200_000)
CARDS = {"other names": OTHER_NAMES, "same names": SAME_NAMES, "same names and sizes": SAME_SIZES}


@pytest.fixture(params=list(CARDS.values()), ids=list(CARDS))
def second(request: pytest.FixtureRequest, yard: ScopedYard) -> dict[str, bytes]:
    """The second roll's card; its files are a day younger, but for what has the first one's names and sizes."""
    files: dict[str, bytes] = request.param
    card = yard.card("second", files)
    later = 0 if files is SAME_SIZES else 86_400
    for number, path in enumerate(files):
        os.utime(card / path, (OLD + number + later, OLD + number + later))
    assert yard.offload(card).sealed
    return files


def swap(yard: ScopedYard, one: str, other: str) -> None:
    move(yard, one, "aside")
    move(yard, other, one)
    move(yard, "aside", other)


def look(yard: ScopedYard) -> Changes:
    place = yard.place("Main")
    with yard.context() as context:
        return look_at_changes(context, place, ("",), QUIET)


def wanted(yard: ScopedYard) -> set[str]:
    with yard.context() as context:
        names = {one.id: one.name for one in context.catalog.places()}
        return {names[place] for need in survey(context, {}) for place in need.wants}


def is_at_peace(yard: ScopedYard, files: int) -> None:
    """All that was ever taken in is known, where it lies; nothing is wanted, nobody is in doubt."""
    for _ in range(2):
        said = yard.verify("Main")
        assert said.all_well, said
        assert (said.matching_files, said.moved) == (files, ())
    assert wanted(yard) == set()
    assert not [
        fact for fact in yard.facts("Main") if fact.result not in {Result.MATCHES, Result.MISSING}
    ]
    assert yard.gaps_of("Roll 01") == yard.gaps_of("Roll 02") == (Role.CLOUD,)
    assert "backupkeeper repair" not in typed(yard, "report").all


def told(said: VerifyOutcome) -> set[tuple[str, str, int]]:
    return {(one.was, one.now, one.files) for one in said.moved}


def both_ways(second: dict[str, bytes]) -> set[tuple[str, str, int]]:
    """What is told; an empty note that both have, where both have it, is where it was."""
    shared = second["NOTE.TXT"] == b""
    one, other = (f"{roll}/DCIM" if shared else roll for roll in (ROLL, SECOND))
    return {(one, other, len(CARD) - shared), (other, one, len(CARD) - shared)}


def test_rolls_that_swapped_folders_are_known_where_they_lie_now(
    yard: ScopedYard, second: dict[str, bytes]
) -> None:
    swap(yard, ROLL, SECOND)
    before = entries(yard, "Main")
    said = yard.verify("Main")
    assert said.all_well, said
    assert said.matching_files == len(CARD) + len(second)
    assert told(said) == both_ways(second)
    assert entries(yard, "Main") == before, "neither history is gone on with by the other roll"
    brought = yard.mirror()
    assert (brought.copied_files, brought.waiting, brought.troubles) == (0, (), ())
    assert entries(yard, "Main") == before
    is_at_peace(yard, len(CARD) + len(second))
    assert yard.verdict(yard.root / "card").answer is Answer.YES
    assert yard.verdict(yard.root / "second").answer is Answer.YES


def test_a_mirror_copies_nothing_after_rolls_swapped(
    yard: ScopedYard, second: dict[str, bytes]
) -> None:
    swap(yard, ROLL, SECOND)
    before = entries(yard, "Main")
    brought = yard.mirror()
    assert (brought.copied_files, brought.troubles) == (0, ())
    assert entries(yard, "Main") == before
    assert yard.verify("Main").all_well
    assert entries(yard, "Main") == before


def test_a_look_knows_swapped_rolls_by_what_can_be_seen(
    yard: ScopedYard, second: dict[str, bytes]
) -> None:
    swap(yard, ROLL, SECOND)
    found = look(yard)
    if second is not SAME_SIZES:  # nothing of these can be seen: the next reading tells
        assert (found.rolls, found.strange) == ((), ())
        assert {(one.was, one.now, one.files) for one in found.moved} == both_ways(second)
    assert wanted(yard) == set()
    assert yard.verify("Main").all_well
    is_at_peace(yard, len(CARD) + len(second))


def test_one_roll_asked_for_by_name_is_found_where_the_other_was(
    yard: ScopedYard, second: dict[str, bytes]
) -> None:
    swap(yard, ROLL, SECOND)
    for name in ("Roll 01", "Roll 02"):
        said = yard.verify(name)
        assert said.all_well, said
    assert yard.verify("Main").all_well
    is_at_peace(yard, len(CARD) + len(second))


def test_a_night_s_proof_of_a_roll_that_swapped_finds_it(
    yard: ScopedYard, second: dict[str, bytes]
) -> None:
    swap(yard, ROLL, SECOND)
    for name in ("Roll 01", "Roll 02"):
        read = yard.prove_one("Main", roll=name)
        assert (read.checked, read.manifest_faults) == ((), ())
        assert read.moved or name == "Roll 02", "it may have been found beside the first"
    assert wanted(yard) == set()
    is_at_peace(yard, len(CARD) + len(second))


def test_rolls_that_swap_back_are_as_they_were(yard: ScopedYard, second: dict[str, bytes]) -> None:
    swap(yard, ROLL, SECOND)
    assert yard.verify("Main").all_well
    yard.clock.at += timedelta(minutes=10)
    swap(yard, ROLL, SECOND)
    said = yard.verify("Main")
    assert said.all_well, said
    is_at_peace(yard, len(CARD) + len(second))
    said = yard.verify("Main")
    assert len(said.manifests) == 2, "each goes on with the history in its folder"


def test_three_rolls_in_a_ring_are_followed(yard: ScopedYard) -> None:
    take(yard, "second", OTHER_NAMES)
    take(yard, "third", {path: bytes([3]) + data for path, data in SAME_NAMES.items()})
    third = f"{SHOOT}/Originals/Wide/Roll 03"
    swap(yard, ROLL, SECOND)
    swap(yard, SECOND, third)
    said = yard.verify("Main")
    assert said.all_well, said
    assert said.matching_files == 3 * len(CARD)
    assert yard.mirror().copied_files == 0
    is_at_peace(yard, 3 * len(CARD))


def test_clips_that_swapped_names_are_no_rot(yard: ScopedYard) -> None:
    """Alike in size and time: only their bytes tell."""
    other = "DCIM/100BOATY/BOAT0003.MP4"
    take(yard, "second", {CLIP: clip(41), other: clip(42), "A.XML": b"1", "B.XML": b"2"})
    main = yard.root / "Main" / SECOND
    for path in (CLIP, other, "A.XML", "B.XML"):
        os.utime(main / path, (OLD, OLD))
        os.utime(yard.root / "second" / path, (OLD, OLD))
    yard.verify("Main")
    swap(yard, f"{SECOND}/{CLIP}", f"{SECOND}/{other}")
    swap(yard, f"{SECOND}/A.XML", f"{SECOND}/B.XML")
    before = {path: (main / path).read_bytes() for path in (CLIP, other)}
    said = yard.verify("Main")
    assert not [
        one for one in said.checked if one.finding.value in {"damaged", "changed", "missing"}
    ]
    assert {
        (f"{SECOND}/{CLIP}", f"{SECOND}/{other}", 1),
        (f"{SECOND}/{other}", f"{SECOND}/{CLIP}", 1),
    } < told(said)
    assert said.matching_files == len(CARD) + 4
    assert not yard.repair().mended
    assert {path: (main / path).read_bytes() for path in (CLIP, other)} == before
    assert yard.mirror().copied_files == 0
    is_at_peace(yard, len(CARD) + 4)


def test_swapped_names_are_said_in_these_words(yard: ScopedYard) -> None:
    one, other = f"{ROLL}/{CLIP}", f"{ROLL}/DCIM/100BOATY/BOAT0002.MP4"
    swap(yard, one, other)
    said = typed(yard, "verify", "Main")
    assert said.code == 0, said.all
    assert "changed places" in said.all
    assert "change it back by hand, and verify" in " ".join(said.all.split())
    assert "rot" not in said.all
    report = typed(yard, "report")
    assert "changed places" in " ".join(report.all.split())


def test_a_swapped_clip_that_rotted_is_damaged_where_it_lies(yard: ScopedYard) -> None:
    one, other = f"{ROLL}/{CLIP}", f"{ROLL}/DCIM/100BOATY/BOAT0002.MP4"
    swap(yard, one, other)
    assert yard.verify("Main").all_well
    rot(yard.root / "Main" / other, 5000, b"rot")
    assert findings(yard) == [(other, "damaged")]
    assert yard.repair("Main").all_well
    assert (yard.root / "Main" / other).read_bytes() == CARD[CLIP]
    assert (yard.root / "Main" / one).read_bytes() == CARD["DCIM/100BOATY/BOAT0002.MP4"]
    assert yard.verify("Main").all_well


def test_one_clip_over_another_leaves_one_missing(yard: ScopedYard) -> None:
    """Renamed onto the other: one's bytes are nowhere any more."""
    one, other = f"{ROLL}/{CLIP}", f"{ROLL}/DCIM/100BOATY/BOAT0002.MP4"
    move(yard, one, other)
    assert findings(yard) == [(other, "missing")]
    assert yard.gaps_of("Roll 01") == (Role.PRIMARY, Role.CLOUD)
    brought = yard.mirror()
    assert [trouble.path for trouble in brought.troubles] == ["DCIM/100BOATY/BOAT0002.MP4"]
    assert (yard.root / "Main" / other).read_bytes() == CARD[CLIP], "nothing is written over"
    (said,) = yard.verify("Main").checked
    assert "Another file of the footage lies there" in said.note
    assert "mirror" in said.note
    move(yard, other, one)
    assert yard.mirror().copied_files == 1
    assert yard.verify("Main").all_well
    assert yard.gaps_of("Roll 01") == (Role.CLOUD,)


def test_a_file_put_into_another_roll_s_folder_is_known_there(yard: ScopedYard) -> None:
    take(yard, "second", OTHER_NAMES)
    now = f"{SECOND}/DCIM/101BOATY/BOAT0001.MP4"
    move(yard, f"{ROLL}/{CLIP}", now)
    said = yard.verify("Main")
    assert (said.all_well, told(said)) == (True, {(f"{ROLL}/{CLIP}", now, 1)})
    assert yard.verify("Roll 02").all_well, "neither is it unknown where only that roll is read"
    brought = yard.mirror()
    assert (brought.copied_files, brought.troubles) == (0, ())
    is_at_peace(yard, len(CARD) + len(OTHER_NAMES))


def test_a_shared_file_of_another_roll_stands_in_for_no_one(yard: ScopedYard) -> None:
    shared = {
        "DCIM/102BOATY/BOAT0200.MP4": clip(51),
        "NOTE.TXT": CARD["DCIM/100BOATY/BOAT0001.XML"],
    }
    take(yard, "second", shared)
    (yard.root / "Main" / ROLL / "DCIM/100BOATY/BOAT0001.XML").unlink()
    assert findings(yard) == [(f"{ROLL}/DCIM/100BOATY/BOAT0001.XML", "missing")]
    assert yard.mirror().copied_files == 1
    assert yard.verify("Main").all_well


def test_where_a_roll_was_deleted_and_another_put_in_its_place_no_history_is_spoilt(
    yard: ScopedYard, second: dict[str, bytes]
) -> None:
    shutil.rmtree(yard.root / "Main" / ROLL)
    move(yard, SECOND, ROLL)
    history = {
        one.name: one.read_bytes() for one in (yard.root / "Main" / ROLL / "ascmhl").iterdir()
    }
    yard.verify("Main")
    yard.mirror()
    yard.verify("Main")
    after = yard.root / "Main" / ROLL / "ascmhl"
    assert {one.name: one.read_bytes() for one in after.iterdir()} == history
    there = {path: (yard.root / "Main" / ROLL / path).read_bytes() for path in second}
    assert there == second, "nothing is written over"
