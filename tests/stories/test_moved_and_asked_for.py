"""What was moved by hand is asked for by its new name, and what a person reads and is advised then."""

import shutil
from datetime import UTC, datetime, timedelta

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.actions.changes import Changes, look_at_changes
from backupkeeper.core.model import Result
from tests.stories.scoped_yard import ScopedYard
from tests.stories.test_moved_by_hand import CARD, CLIP, ROLL, findings, move, yard
from tests.stories.typed import typed
from tests.stories.yard import QUIET, SHOOT, clip, tree

__all__ = ["yard"]


def test_it_is_called_by_its_new_name(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    assert typed(yard, "verify", "Boats").code == 2, "nobody has looked yet"
    assert yard.verify("Main").all_well
    for name in ("Boats", "Boats/", "Boats/Originals/Wide/Roll 01"):
        read = yard.verify(name)
        assert (read.all_well, read.matching_files) == (True, len(CARD)), name
    assert yard.verify(f"Boats/Originals/Wide/Roll 01/{CLIP}").matching_files == 1
    said = typed(yard, "restore", "Boats", "--to", str(yard.root / "out"), "--yes")
    assert said.code == 0, said.all
    assert tree(yard.root / "out" / ROLL) == CARD
    for name in ("Boat", "", "Barges"):
        assert typed(yard, "verify", name).code == 2
    move(yard, "Boats", "Barges")
    assert yard.verify("Main").all_well
    assert typed(yard, "verify", "Boats").code == 2, "it is not there any more"


def test_what_moved_on_is_reported_where_it_is_now(yard: ScopedYard) -> None:
    def notes() -> list[str]:
        with yard.keeper() as keeper:
            return [one for one in keeper.overview().notes if "by hand" in one]

    for old, new in [(SHOOT, "Boats"), ("Boats", "Barges")]:
        move(yard, old, new)
        assert yard.verify("Main").all_well
    (note,) = notes()
    assert note.startswith(f"Main: {SHOOT} is now at Barges ({len(CARD)} files)")
    move(yard, "Barges", SHOOT)
    assert yard.verify("Main").all_well
    assert notes() == [], "it is where it was"


def test_files_that_were_renamed_one_by_one_are_told_as_one(yard: ScopedYard) -> None:
    card = yard.card("many", {f"DCIM/{n:04}.JPG": clip(n, 500) for n in range(50)})
    assert yard.offload(card).sealed
    for n in range(40):
        source = f"{SHOOT}/Originals/Wide/Roll 02/DCIM/{n:04}.JPG"
        move(yard, source, f"Best/Boat {n}.JPG")
    said = typed(yard, "verify", "Main")
    assert said.code == 0, said.all
    assert "moved or renamed one by one, to Best" in said.all
    assert said.all.count("Best") == 1
    assert len(yard.verify("Main").checked) == 0


def test_a_restore_from_a_place_that_lacks_it_says_who_has_it(yard: ScopedYard) -> None:
    (yard.root / "Main" / ROLL / CLIP).unlink()
    assert findings(yard) == [(f"{ROLL}/{CLIP}", "missing")]
    said = typed(yard, "restore", SHOOT, "--from", "Main", "--to", str(yard.root / "out"), "--yes")
    assert said.code != 0
    assert "Travel has 1 of the files that are lacking; only Main was asked" in " ".join(
        said.all.split()
    )
    assert "reached" not in said.all
    said = typed(yard, "restore", SHOOT, "--to", str(yard.root / "all"), "--yes")
    assert said.code == 0, said.all


def test_a_folder_that_was_filled_just_now_is_refused_with_one_advice(yard: ScopedYard) -> None:
    shutil.copytree(yard.root / "card", yard.root / "Main/2026-06-12 Pier/Wide/Card 9")
    (yard.root / "Main/2026-06-12 Pier/Wide/Card 9/NEW.MP4").write_bytes(clip(70))
    said = typed(yard, "adopt", "Main")
    words = " ".join(said.all.split())
    assert "less than 120 seconds ago" in words
    assert words.count("repeat the command") == 1


def test_a_file_beside_a_roll_that_was_moved_to_a_roll_s_folder_is_a_roll_by_itself(
    yard: ScopedYard,
) -> None:
    """The daemon takes such a folder in; what is known of it is not copied once more."""
    target = move(yard, ROLL, f"{SHOOT}/Originals/Close/Roll 01")
    (target / "EXTRA.MP4").write_bytes(clip(71))
    place = yard.place("Main")
    with yard.context() as context:
        found = look_at_changes(context, place, ("",), QUIET)
        (strange,) = found.strange
        yard.clock.at += timedelta(minutes=10)
        taken = adopt_folder(context, place, strange.folder, QUIET)
        assert (taken.roll.file_count, taken.roll.name) == (1, "Roll 01")
        assert look_at_changes(context, place, ("",), QUIET) == Changes(rolls=(), strange=())
    brought = yard.mirror()
    assert (brought.copied_files, brought.troubles) == (1, ())
    said = yard.verify()
    assert (said.all_well, said.matching_files) == (True, 2 * len(CARD) + 2)


def test_for_an_edit_it_is_said_how_the_original_comes_back(yard: ScopedYard) -> None:
    yard.clock.at = datetime.now(UTC)
    (yard.root / "Main" / ROLL / CLIP).write_bytes(b"an edit of mine")
    assert [one for _, one in findings(yard)] == ["changed"]
    assert [f.result for f in yard.facts("Main")].count(Result.CHANGED) == 1
    said = typed(yard, "report").all
    assert "backupkeeper repair Main --edited" in said
    assert said.count("backupkeeper repair") == said.count("backupkeeper repair Main --edited")
