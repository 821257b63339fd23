"""What was moved by hand, as a daemon meets it: by a look, a night's proof, a copy that was planned already."""

import shutil
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions.changes import Changes, look_at_changes
from backupkeeper.actions.survey import survey
from backupkeeper.core.model import CopyState, Result, Role
from backupkeeper.ports.progress import Progress
from tests.stories.scoped_yard import ScopedYard
from tests.stories.test_moved_by_hand import (
    CARD,
    CLIP,
    ROLL,
    StopsAtFile,
    call_missing,
    entries,
    move,
    take,
    yard,
)
from tests.stories.yard import QUIET, SHOOT, clip, tree

__all__ = ["yard"]


def look(yard: ScopedYard, *folders: str, progress: Progress = QUIET) -> Changes:
    place = yard.place("Main")
    with yard.context() as context:
        return look_at_changes(context, place, folders or ("",), progress)


def wanted(yard: ScopedYard) -> set[str]:
    """Names of places where the daemon would want a copy."""
    with yard.context() as context:
        names = {one.id: one.name for one in context.catalog.places()}
        return {names[place] for need in survey(context, {}) for place in need.wants}


@pytest.mark.parametrize("new", ["Boats", f"Jobs/{SHOOT}", "260613 Boatyard"])
@pytest.mark.parametrize("all_of_it", [True, False], ids=["all looked at", "the folder looked at"])
def test_a_look_finds_it_and_nothing_is_ever_wanted_again(
    yard: ScopedYard, new: str, all_of_it: bool
) -> None:
    move(yard, SHOOT, new)
    before = entries(yard, "Main")
    found = look(yard) if all_of_it else look(yard, SHOOT, new)
    assert (found.rolls, found.strange) == ((), ())
    assert [(one.was, one.now, one.files) for one in found.moved] == [(SHOOT, new, len(CARD))]
    assert found.read_bytes == sum(map(len, CARD.values()))
    assert wanted(yard) == set()
    assert entries(yard, "Main") == before
    again = look(yard)
    assert again == Changes(rolls=(), strange=())


def test_what_is_gone_beside_it_is_told_as_ever(yard: ScopedYard) -> None:
    target = move(yard, SHOOT, "Boats")
    (target / "Originals/Wide/Roll 01" / CLIP).unlink()
    found = look(yard)
    assert found.rolls == (yard.roll(),)
    assert [one.files for one in found.moved] == [len(CARD) - 1]
    assert yard.copies("Main")[CLIP].state is CopyState.MISSING
    assert wanted(yard) == {"Main"}


def test_it_is_followed_when_it_is_moved_on_and_when_it_goes(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    look(yard)
    move(yard, "Boats", "Barges")
    found = look(yard, "Boats", "Barges")
    assert [(one.was, one.now) for one in found.moved] == [("Boats", "Barges")]
    move(yard, "Barges", "Ships")
    assert [(one.was, one.now) for one in look(yard).moved] == [("Barges", "Ships")]
    shutil.rmtree(yard.root / "Main/Ships")
    assert look(yard, "Ships").moved == ()
    assert yard.gaps_of("Roll 01") == (Role.PRIMARY, Role.CLOUD)
    assert wanted(yard) == {"Main"}


def test_a_look_that_is_stopped_calls_nothing_missing(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    with pytest.raises(KeyboardInterrupt):
        look(yard, progress=StopsAtFile(3))  # the first is the roll's own folder
    assert wanted(yard) == set()
    assert [fact.result for fact in yard.facts("Main")].count(Result.MISSING) == 1
    assert [one.files for one in look(yard).moved] == [len(CARD) - 1]
    assert wanted(yard) == set()


def test_a_copy_that_was_planned_already_finds_it_and_copies_nothing(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    call_missing(yard)
    assert wanted(yard) == {"Main"}
    before = entries(yard, "Main")
    outcome = yard.mirror_one(to="Main", origin="Travel")
    assert (outcome.copied_files, outcome.troubles, outcome.waiting) == (0, (), ())
    assert [(one.now, one.files) for one in outcome.moved] == [("Boats", len(CARD))]
    assert entries(yard, "Main") == before
    assert wanted(yard) == set()


def test_a_copy_is_taken_from_where_its_source_lies_now(yard: ScopedYard) -> None:
    shutil.rmtree(yard.root / "Travel" / SHOOT)
    yard.verify("Travel")
    move(yard, SHOOT, "Boats")
    outcome = yard.mirror_one(to="Travel", origin="Main")
    assert (outcome.copied_files, outcome.troubles) == (len(CARD), ())
    assert tree(yard.root / "Travel" / ROLL) == CARD


def test_a_night_s_proof_finds_it_before_it_calls_it_missing(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    read = yard.prove_one("Main")
    assert (read.matching_files, read.checked) == (len(CARD), ())
    assert [one.now for one in read.moved] == ["Boats"]
    assert wanted(yard) == set()
    later = yard.prove_one("Main")
    assert (later.matching_files, later.moved) == (len(CARD), ())


def test_a_roll_moved_into_a_folder_like_a_roll_s_is_not_taken_for_a_new_one(
    yard: ScopedYard,
) -> None:
    take(yard, "second", {"DCIM/100BOATY/BOAT0009.MP4": clip(9)})
    move(yard, ROLL, f"{SHOOT}/Originals/Close/Roll 01")
    found = look(yard, SHOOT)
    assert (found.rolls, found.strange) == ((), ())
    assert yard.verify("Main").all_well


def test_what_nobody_knows_is_still_strange(yard: ScopedYard) -> None:
    stranger = Path(f"{SHOOT}/Originals/Recorder/Roll 01/0001.WAV")
    (yard.root / "Main" / stranger).parent.mkdir(parents=True)
    (yard.root / "Main" / stranger).write_bytes(clip(1)[:-1] + b"!")
    move(yard, f"{ROLL}/{CLIP}", f"{ROLL}/launch.mp4")
    found = look(yard)
    assert [one.folder for one in found.strange] == [str(stranger.parent)]
    assert [one.now for one in found.moved] == [f"{ROLL}/launch.mp4"]


def test_a_report_tells_it_for_a_month_and_alarms_nobody(yard: ScopedYard) -> None:
    with yard.keeper() as keeper:
        before = keeper.overview()
    move(yard, SHOOT, "Boats")
    look(yard)
    with yard.keeper() as keeper:
        after = keeper.overview()
        assert (after.steps, after.worry, after.harms) == (before.steps, before.worry, ())
        told = f"Main: {SHOOT} is now at Boats ({len(CARD)} files)"
        assert [note for note in after.notes if note.startswith(told)]
        yard.clock.at += timedelta(days=31)
        assert not [note for note in keeper.overview().notes if "Boats" in note]
