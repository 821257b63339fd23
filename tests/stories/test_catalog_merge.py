"""Two machines, each with a catalog of its own, that share drives: ``catalog merge`` by hand."""

import os
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.catalog.snapshot import catalog_id
from backupkeeper.core.errors import OutOfReachError, UsageError
from backupkeeper.core.merging import OWN_EVENTS, MergeOutcome, MergeWish
from backupkeeper.core.model import CopyState, Event, EventKind, Standing
from backupkeeper.core.snapshots import FOLDER
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import typed
from tests.stories.yard import QUIET, clip, roll_folder, rot

FILES = {"DCIM/WIDE0001.MP4": clip(1), "DCIM/WIDE0002.MP4": clip(2)}
MORE = {"DCIM/CLOSE01.MP4": clip(3)}


def merged(yard: ScopedYard, *sources: Path | str, dry_run: bool = False) -> MergeOutcome:
    wish = MergeWish(sources=tuple(str(one) for one in sources), dry_run=dry_run)
    with yard.keeper() as keeper:
        return keeper.merge(wish, progress=QUIET)


@pytest.fixture
def both(tmp_path: Path) -> tuple[ScopedYard, ScopedYard]:
    """A knows both drives and a roll; B was set up from a drive, before A's roll."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    one, two = ScopedYard(tmp_path / "a"), ScopedYard(tmp_path / "b")
    one.drives()
    first = one.offload(one.card("wide", FILES))
    assert first.sealed
    merged(two, one.root / "Main")
    return one, two


def known(yard: ScopedYard) -> set[tuple[str, str]]:
    with yard.context() as context:
        return {(roll.source, roll.id) for roll in context.catalog.rolls()}


def test_from_a_drive_all_comes_in_and_what_came_is_told(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    one, two = ScopedYard(tmp_path / "a"), ScopedYard(tmp_path / "b")
    one.drives()
    one.offload(one.card("wide", FILES))
    outcome = merged(two, one.root / "Main")
    (taken,) = outcome.taken
    assert (taken.rolls, taken.files, taken.places) == (1, 2, ("Main", "Travel"))
    assert taken.facts > 0
    assert outcome.all_well
    assert known(two) == known(one)
    assert two.states("Main") == {CopyState.PROVEN}


def test_again_nothing_is_new(both: tuple[ScopedYard, ScopedYard]) -> None:
    one, two = both
    (taken,) = merged(two, one.root / "Main").taken
    assert (taken.rolls, taken.files, taken.facts, taken.places) == (0, 0, 0, ())


def test_a_dry_run_says_the_same_and_writes_nothing(both: tuple[ScopedYard, ScopedYard]) -> None:
    one, two = both
    one.offload(one.card("close", MORE), source="Close")
    before = known(two)
    told = merged(two, one.root / "Main", one.root / "Travel", dry_run=True)
    assert known(two) == before
    done = merged(two, one.root / "Main", one.root / "Travel")
    assert [(x.rolls, x.files, x.facts) for x in told.taken] == [
        (x.rolls, x.files, x.facts) for x in done.taken
    ]
    assert known(two) == known(one) != before
    assert not [path for path in two.root.iterdir() if "dry-run" in path.name]


@pytest.mark.parametrize("how", ["snapshot", "catalog", "folder"])
def test_from_a_file_or_a_folder_too(
    both: tuple[ScopedYard, ScopedYard], tmp_path: Path, how: str
) -> None:
    one, two = both
    one.offload(one.card("close", MORE), source="Close")
    newest = max((one.root / "Main" / FOLDER).iterdir())
    source = {"snapshot": newest, "catalog": one.root / "catalog.sqlite", "folder": newest.parent}
    outcome = merged(two, source[how])
    assert outcome.all_well
    assert outcome.taken[0].rolls == 1
    assert newest.name.split("-")[1] == outcome.taken[0].catalog
    assert known(two) == known(one)


def test_a_snapshot_under_another_name_is_known_by_its_bytes(
    both: tuple[ScopedYard, ScopedYard], tmp_path: Path
) -> None:
    one, two = both
    one.offload(one.card("close", MORE), source="Close")
    shutil.copy(max((one.root / "Main" / FOLDER).iterdir()), tmp_path / "fetched.zst")
    assert merged(two, tmp_path / "fetched.zst").taken[0].rolls == 1


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda data: data[:-100], "cut off|can't be unpacked|not those"),
        (lambda data: b"nothing of the kind", "neither a catalog nor a snapshot"),
        (lambda data: b"SQLite format 3\0" + b"x" * 500, "can't be read as a catalog"),
        (lambda data: data[:200] + b"spoiled!" + data[208:], "unpacked|not those"),
    ],
)
def test_what_can_not_be_believed_is_told_and_changes_nothing(
    both: tuple[ScopedYard, ScopedYard], tmp_path: Path, spoil: Any, says: str
) -> None:
    one, two = both
    one.offload(one.card("close", MORE), source="Close")
    before = known(two)
    bad = tmp_path / "bad"
    bad.write_bytes(spoil(max((one.root / "Main" / FOLDER).iterdir()).read_bytes()))
    outcome = merged(two, bad)
    assert not outcome.all_well
    (unusable,) = outcome.unusable
    assert any(part in unusable.why for part in says.split("|")), unusable.why
    assert known(two) == before


def test_a_catalog_in_use_is_not_half_taken(both: tuple[ScopedYard, ScopedYard]) -> None:
    one, two = both
    with one.context() as context:
        context.catalog.note(
            [Event(at=context.clock.now(), kind=EventKind.ROOM, subject="x", detail="1")]
        )
        assert os.path.getsize(one.root / "catalog.sqlite-wal")
        outcome = merged(two, one.root / "catalog.sqlite")
    assert "in use" in outcome.unusable[0].why


def test_a_place_without_a_snapshot_is_told(both: tuple[ScopedYard, ScopedYard]) -> None:
    one, two = both
    shutil.rmtree(one.root / "Travel" / FOLDER)
    assert "no snapshot" in merged(two, one.root / "Travel").troubles[0].message


def test_what_is_no_source(both: tuple[ScopedYard, ScopedYard], tmp_path: Path) -> None:
    _, two = both
    with pytest.raises(UsageError):
        merged(two, "Nowhere")
    with pytest.raises(UsageError):
        merged(two, tmp_path / "gone" / "file")


def test_a_drive_by_name_must_be_here(both: tuple[ScopedYard, ScopedYard]) -> None:
    one, two = both
    (taken,) = merged(two, "Main").taken
    assert taken.where.startswith("Main (")
    (one.root / "Main").rename(one.root / "Elsewhere")
    with pytest.raises(OutOfReachError):
        merged(two, "Main")


def test_damage_found_later_counts_and_is_told_whichever_machine_found_it(
    both: tuple[ScopedYard, ScopedYard],
) -> None:
    one, two = both
    one.clock.at += timedelta(days=1)
    rot(roll_folder(one.root / "Travel") / "DCIM/WIDE0002.MP4", 1000, b"spoiled")
    one.verify()
    (taken,) = merged(two, one.root / "Main").taken
    (told,) = [pair for pair in taken.settled if "WIDE0002" in pair.what]
    assert told.what.startswith("Travel: ")
    assert not told.ours_counts
    assert told.theirs.startswith("damaged")
    assert CopyState.DAMAGED in two.states("Travel")


def test_an_older_yes_does_not_undo_a_newer_no(both: tuple[ScopedYard, ScopedYard]) -> None:
    one, two = both
    two.clock.at += timedelta(days=1)
    rot(roll_folder(one.root / "Travel") / "DCIM/WIDE0002.MP4", 1000, b"spoiled")
    two.verify()
    assert CopyState.DAMAGED in two.states("Travel")
    newest = max(
        path for path in (one.root / "Main" / FOLDER).iterdir() if own_id(one) in path.name
    )
    (taken,) = merged(two, newest).taken
    (told,) = [pair for pair in taken.settled if "WIDE0002" in pair.what]
    assert told.ours_counts
    assert CopyState.DAMAGED in two.states("Travel")


def own_id(yard: ScopedYard) -> str:
    return catalog_id(str(yard.root / "catalog.sqlite"))


def test_a_place_that_was_called_lost_is_lost_on_the_other_machine(
    both: tuple[ScopedYard, ScopedYard],
) -> None:
    one, two = both
    one.clock.at += timedelta(days=1)
    with one.context() as context:
        context.catalog.stand(one.place("Travel"), Standing.LOST)
    (taken,) = merged(two, one.root / "catalog.sqlite").taken
    assert [pair.what for pair in taken.settled] == ["Place Travel"]
    with two.context() as context:
        standing = {place.name: place.standing for place in context.catalog.places()}
    assert standing["Travel"] is Standing.LOST


def test_what_a_machine_did_stays_its_own(both: tuple[ScopedYard, ScopedYard]) -> None:
    one, two = both
    with one.context() as context:
        at = context.clock.now()
        context.catalog.note(
            Event(at=at, kind=kind, subject="theirs", detail="60.0")
            for kind in EventKind
            if kind is not EventKind.STOOD
        )
    merged(two, one.root / "catalog.sqlite")
    with two.context() as context:
        came = {
            kind
            for kind in EventKind
            if any(event.subject == "theirs" for event in context.catalog.events((kind,)))
        }
    assert not came & OWN_EVENTS
    assert {EventKind.DRILLED, EventKind.LISTED, EventKind.CHECKED} <= came
    with one.context() as context:
        assert context.catalog.latest(EventKind.TOLD)  # in its own catalog it stands


def test_as_typed(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    one, two = ScopedYard(tmp_path / "a"), ScopedYard(tmp_path / "b")
    one.drives()
    one.offload(one.card("wide", FILES))
    said = typed(two, "catalog", "merge", str(one.root / "Main"), "--dry-run")
    assert said.code == 0
    assert "1 roll, 2 files and" in said.out
    assert "Nothing was written" in said.out
    said = typed(two, "catalog", "merge", str(one.root / "Main"))
    assert said.code == 0
    assert "Main, Travel" in said.out
    one.clock.at += timedelta(days=1)
    rot(roll_folder(one.root / "Travel") / "DCIM/WIDE0002.MP4", 1000, b"spoiled")
    one.verify()
    said = typed(two, "catalog", "merge", "Main")
    assert "the newest fact about a copy counts" in " ".join(said.out.split())
    said = typed(two, "catalog", "merge", str(one.root / "Main"), "--json")
    assert said.code == 0
    assert said.json["taken"][0]["new_rolls"] == 0
    (one.root / "junk").write_bytes(b"junk")
    said = typed(two, "catalog", "merge", str(one.root / "junk"))
    assert said.code == 1
    assert "Nothing was taken over" in said.out
    assert "neither a catalog nor a snapshot" in " ".join(said.out.split())
    said = typed(two, "catalog", "merge", str(one.root / "junk"), "--json")
    assert said.json["unusable"][0]["name"] == "junk"
