"""``adopt`` where a drive is odd: what can't be listed, a bucket, an offload under way, changing files."""

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from backupkeeper.actions.adopt_all import adopt_all
from backupkeeper.core.adopting import AdoptWish
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import PlaceKind, Role
from backupkeeper.ports.files import EntryKind
from backupkeeper.system.files import RealFiles
from tests.stories.scoped_yard import ScopedYard
from tests.stories.test_adopt_place import SOUND, adopt, put
from tests.stories.yard import QUIET, clip, tree


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drives()
    return made


class Unlistable(RealFiles):
    """One folder can't be listed."""

    def list(self, path: str) -> Iterator[tuple[str, EntryKind]]:
        if path.endswith("/Broken"):
            raise OSError(5, "Input/output error")
        return super().list(path)


def test_a_folder_that_can_not_be_listed_is_told_and_the_others_are_looked_at(
    yard: ScopedYard,
) -> None:
    put(yard, "260612 Boatyard/Recorder/Tape 1", SOUND)
    put(yard, "Broken", SOUND)
    with yard.context() as context:
        seen = replace(context, files=Unlistable())
        found = adopt_all(seen, AdoptWish(place="Main", dry_run=True), QUIET)
    assert [one.folder for one in found.plan.rolls] == ["260612 Boatyard/Recorder/Tape 1"]
    assert [one.path for one in found.plan.troubles] == ["Broken"]
    assert not found.all_well


def test_a_bucket_is_not_adopted_from(yard: ScopedYard) -> None:
    with yard.context() as context:
        place = next(one for one in context.catalog.places() if one.name == "Travel")
        context.catalog.put_place(replace(place, kind=PlaceKind.BUCKET))
        with pytest.raises(UsageError, match="is a bucket"):
            adopt_all(context, AdoptWish(place="travel"), QUIET)


def test_what_is_changing_is_left_for_later_and_the_others_are_taken_in(yard: ScopedYard) -> None:
    where = put(yard, "260612 Boatyard/Recorder/Tape 1", SOUND)
    put(yard, "260612 Boatyard/Recorder/Tape 2", {"0003.WAV": b"wind"})
    os.utime(where / "0001.WAV")
    said = adopt(yard)
    assert said.code == 1
    (failed,) = said.json["failed"]
    assert failed["path"].endswith("Tape 1")
    assert "changed" in failed["message"]
    assert [one["folder"][-6:] for one in said.json["taken_in"]] == ["Tape 2"]


def test_a_card_for_edits_is_no_edit(yard: ScopedYard) -> None:
    put(yard, "Edit/Card 1", {"DCIM/a.mp4": b"a"})
    put(yard, "Exports", {"film.mp4": b"film"})
    put(yard, "260612 Boatyard/Wide", {"note.txt": b"no clip"})
    found = adopt(yard, "--dry-run").json
    assert [one["folder"] for one in found["unplaced"]] == ["Edit/Card 1"]
    assert [one["folder"] for one in found["left_out"]] == ["Exports"]
    assert [(one["folder"], one["files"]) for one in found["others"]] == [("260612 Boatyard", 1)]


@pytest.mark.parametrize("spoiled", [False, True])
def test_a_history_of_the_whole_shoot_speaks_of_each_roll(yard: ScopedYard, spoiled: bool) -> None:
    shoot = "260612 Boatyard"
    made = put(yard, shoot, {f"Recorder/Tape 1/{path}": data for path, data in SOUND.items()})
    names = ("--shoot", shoot, "--source", "All", "--roll", "All")
    assert adopt(yard, shoot, *names).code == 0
    (yard.root / "new").mkdir()
    other = ScopedYard(yard.root / "new")
    other.drive("Main", Role.PRIMARY)
    files = {**SOUND, "0002.WAV": clip(99)} if spoiled else SOUND
    where = put(other, f"{shoot}/Recorder/Tape 1", files)
    (where.parent.parent / "ascmhl").mkdir()
    for path in (made / "ascmhl").iterdir():
        (where.parent.parent / "ascmhl" / path.name).write_bytes(path.read_bytes())
    said = adopt(other)
    assert said.code == (1 if spoiled else 0), said.all
    (one,) = said.json["taken_in"]
    assert one["confirmed"] == (1 if spoiled else 2)
    told = [trouble["path"] for trouble in one["troubles"]]
    assert told == ([f"{shoot}/Recorder/Tape 1/0002.WAV"] if spoiled else [])
    assert tree(where) == files
