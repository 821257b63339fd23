"""Somebody puts files into a roll's folder on a drive by hand; they become a roll where they are."""

import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.actions.changes import look_at_changes
from backupkeeper.core.errors import (
    ManifestError,
    OutOfReachError,
    PlaceHeldError,
    SourceChangedError,
    UsageError,
)
from backupkeeper.core.model import PlaceId, Role, Way
from backupkeeper.core.outcomes import AdoptOutcome
from backupkeeper.ports.progress import Quiet
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, SHOOT, clip, roll_folder, tree

SOUND = {"SOUND/0001.WAV": clip(1), "SOUND/0002.WAV": clip(2), "NOTES.TXT": b"wind\n"}
FOLDER = f"{SHOOT}/Originals/Recorder/Roll 01"


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drives()
    return made


def put(yard: ScopedYard, files: dict[str, bytes] = SOUND, folder: str = FOLDER) -> Path:
    """Files by hand into a folder of Main, written long ago."""
    where = yard.root / "Main" / folder
    for path, data in files.items():
        (where / path).parent.mkdir(parents=True, exist_ok=True)
        (where / path).write_bytes(data)
        os.utime(where / path, (1_781_000_000, 1_781_000_000))
    return where


def adopt(
    yard: ScopedYard, folder: str = FOLDER, progress: Any = QUIET, place: str = "Main"
) -> AdoptOutcome:
    ident = yard.place(place)
    with yard.context() as context:
        return adopt_folder(context, ident, folder, progress)


def strange(yard: ScopedYard) -> list[tuple[str, int, int]]:
    ident = yard.place("Main")
    with yard.context() as context:
        found = look_at_changes(context, ident, ("",)).strange
    return [(one.folder, one.files, one.size_bytes) for one in found]


def rolls(yard: ScopedYard) -> list[str]:
    with yard.context() as context:
        return [head.folder for head in context.catalog.rolls()]


def stats(folder: Path) -> dict[str, tuple[int, int, int]]:
    return {
        str(path): (stat.st_ino, stat.st_size, stat.st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file() and "ascmhl" not in path.parts
        for stat in [path.stat()]
    }


def test_a_folder_by_hand_becomes_a_roll_that_is_proven_where_it_is(yard: ScopedYard) -> None:
    where = put(yard)
    before = stats(where)
    assert strange(yard) == [(FOLDER, 3, sum(map(len, SOUND.values())))]
    outcome = adopt(yard)
    assert (outcome.files, outcome.proven, outcome.troubles) == (3, 3, ())
    assert (outcome.roll.shoot, outcome.roll.source, outcome.roll.name) == (
        SHOOT,
        "Recorder",
        "Roll 01",
    )
    assert stats(where) == before
    assert tree(where) == SOUND
    facts = yard.facts("Main")
    assert {fact.way for fact in facts} == {Way.REHASH}
    assert all(fact.is_proof for fact in facts)
    assert strange(yard) == []


def test_its_manifest_says_that_nothing_was_moved(yard: ScopedYard) -> None:
    where = put(yard)
    adopt(yard)
    (manifest,) = (where / "ascmhl").glob("*.mhl")
    text = manifest.read_text()
    # ASC MHL 2.0 section 6.4.6: hashes computed from the files named, nothing copied
    assert "<process>in-place</process>" in text.replace("\n", "").replace(" ", "")
    assert text.count('action="original"') == 3
    assert yard.verify("Main").all_well


def test_adopted_files_are_mirrored_like_any_roll(yard: ScopedYard) -> None:
    put(yard)
    adopt(yard)
    assert yard.mirror().troubles == ()
    assert tree(roll_folder(yard.root / "Travel", source="Recorder")) == SOUND


def test_a_second_time_changes_nothing(yard: ScopedYard) -> None:
    where = put(yard)
    first = adopt(yard)
    before = tree(where / "ascmhl"), len(yard.facts("Main"))
    again = adopt(yard)
    assert (again.roll, again.files) == (first.roll, 0)
    assert (tree(where / "ascmhl"), len(yard.facts("Main"))) == before


class StopsAt(Quiet):
    """Ctrl-C at the n-th time that anything is told."""

    def __init__(self, count: int) -> None:
        self.left = count

    def _tick(self) -> None:
        self.left -= 1
        if self.left == 0:
            raise KeyboardInterrupt

    def file(self, path: str) -> None:
        self._tick()

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        self._tick()


@pytest.mark.parametrize("at", range(1, 16))
def test_stopped_anywhere_it_is_gone_on_with(yard: ScopedYard, at: int) -> None:
    where = put(yard)
    stopping = StopsAt(at)
    try:
        adopt(yard, progress=stopping)
    except KeyboardInterrupt:
        assert rolls(yard) == []
        assert [folder for folder, _, _ in strange(yard)] == [FOLDER]
    outcome = adopt(yard)
    assert rolls(yard) == [FOLDER]
    assert outcome.roll.file_count == 3
    assert tree(where) == SOUND
    assert yard.verify("Main").all_well


def test_what_was_proven_before_a_stop_is_not_read_again(yard: ScopedYard) -> None:
    put(yard)
    yard.clock.at = datetime.now(UTC).replace(microsecond=0)
    with pytest.raises(KeyboardInterrupt):
        adopt(yard, progress=StopsAt(10))
    proven = len(yard.facts("Main"))
    assert proven > 0
    outcome = adopt(yard)
    assert len(yard.facts("Main")) == 3
    assert outcome.proven == 3


def test_a_file_written_a_moment_ago_is_left_in_peace(yard: ScopedYard) -> None:
    where = put(yard)
    young = yard.clock.at.timestamp() - 30
    os.utime(where / "NOTES.TXT", (young, young))
    with pytest.raises(
        SourceChangedError, match=r"NOTES.TXT was changed less than 120 seconds ago"
    ):
        adopt(yard)
    assert rolls(yard) == []
    assert not (where / "ascmhl").exists()


def test_a_time_far_ahead_comes_from_a_camera_and_keeps_nothing(yard: ScopedYard) -> None:
    where = put(yard)
    time = int(yard.clock.at.timestamp()) + 86_400
    os.utime(where / "NOTES.TXT", (time, time))
    assert adopt(yard).files == 3


def test_a_time_that_the_catalog_cant_hold_is_told_before_anything_is_read(
    yard: ScopedYard,
) -> None:
    where = put(yard)
    os.utime(where / "NOTES.TXT", (15_000_000_000, 15_000_000_000))
    with pytest.raises(UsageError, match="can't be recorded"):
        adopt(yard)
    assert yard.facts("Main") == []


class Meddles(Quiet):
    """Does something while a file is worked on for the second time: after its content is known."""

    def __init__(self, deed: Any, at: int = 4) -> None:
        self.deed, self.left = deed, at

    def file(self, path: str) -> None:
        self.left -= 1
        if self.left == 0:
            self.deed()


@pytest.mark.parametrize("how", ["edit", "grow", "add", "remove"])
def test_a_folder_that_changes_meanwhile_is_not_taken_in(yard: ScopedYard, how: str) -> None:
    where = put(yard)

    def meddle() -> None:
        match how:
            case "edit":
                (where / "SOUND/0001.WAV").write_bytes(clip(7))
            case "grow":
                with (where / "SOUND/0002.WAV").open("ab") as file:
                    file.write(b"more")
            case "add":
                (where / "SOUND/0003.WAV").write_bytes(clip(3))
            case _:
                (where / "NOTES.TXT").unlink()

    with pytest.raises(SourceChangedError):
        adopt(yard, progress=Meddles(meddle))
    assert rolls(yard) == []
    assert not (where / "ascmhl").exists()


def test_the_very_files_of_another_roll_stay_that_roll(yard: ScopedYard) -> None:
    yard.offload(yard.card("card", SOUND), source="Recorder")
    folder = f"{SHOOT}/Originals/Recorder/Roll 07"
    put(yard, folder=folder)
    outcome = adopt(yard, folder)
    assert outcome.roll.folder == FOLDER
    assert any(FOLDER in warning for warning in outcome.warnings)
    assert rolls(yard) == [FOLDER]
    assert strange(yard) == []


def test_a_file_added_to_such_a_folder_makes_it_strange_again(yard: ScopedYard) -> None:
    yard.offload(yard.card("card", SOUND), source="Recorder")
    folder = f"{SHOOT}/Originals/Recorder/Roll 07"
    put(yard, folder=folder)
    adopt(yard, folder)
    put(yard, {"SOUND/0009.WAV": clip(9)}, folder=folder)
    assert [one for one, _, _ in strange(yard)] == [folder]
    assert (adopt(yard, folder).roll.file_count, rolls(yard)) == (1, [FOLDER, folder])


def test_a_history_of_a_lost_catalog_is_believed_and_kept(tmp_path: Path) -> None:
    first = ScopedYard(tmp_path)
    first.drives()
    first.offload(first.card("card", SOUND), source="Recorder")
    where = roll_folder(tmp_path / "Main", source="Recorder")
    before = tree(where / "ascmhl")
    for stale in tmp_path.glob("catalog.sqlite*"):
        if stale.is_file():
            stale.unlink()
    again = ScopedYard(tmp_path)
    again.drives()
    assert [one for one, _, _ in strange(again)] == [FOLDER]
    assert adopt(again).proven == 3
    assert tree(where / "ascmhl") == before


def with_history(tmp_path: Path) -> tuple[ScopedYard, Path]:
    yard = ScopedYard(tmp_path)
    yard.drives()
    yard.offload(yard.card("card", SOUND), source="Recorder")
    old = roll_folder(tmp_path / "Main", source="Recorder")
    new = old.parent / "Roll 05"
    new.mkdir()
    for path in old.rglob("*"):
        if path.is_file():
            (new / path.relative_to(old)).parent.mkdir(parents=True, exist_ok=True)
            (new / path.relative_to(old)).write_bytes(path.read_bytes())
    return yard, new


@pytest.mark.parametrize("fault", ["differs", "lacks", "altered"])
def test_a_history_that_the_files_contradict_leaves_the_folder_alone(
    tmp_path: Path, fault: str
) -> None:
    yard, where = with_history(tmp_path)
    match fault:
        case "differs":
            (where / "SOUND/0001.WAV").write_bytes(clip(8))
        case "lacks":
            (where / "SOUND/0001.WAV").unlink()
        case _:
            (manifest,) = (where / "ascmhl").glob("*.mhl")
            manifest.write_text(manifest.read_text() + " ")
    before = tree(where / "ascmhl")
    with pytest.raises(ManifestError):
        adopt(yard, f"{SHOOT}/Originals/Recorder/Roll 05")
    assert tree(where / "ascmhl") == before
    assert rolls(yard) == [FOLDER]


@pytest.mark.parametrize(
    ("folder", "why"),
    [
        ("elsewhere/Wide/Roll 01", "not laid out"),
        (f"{SHOOT}/Originals/Wide/Roll 02", "holds no file"),
        (f"{SHOOT}/Originals/Wide/../Roll 01", "not laid out"),
        ("/etc", "not laid out"),
    ],
)
def test_what_is_no_rolls_folder_is_refused(yard: ScopedYard, folder: str, why: str) -> None:
    (yard.root / "Main" / SHOOT / "Originals/Wide/Roll 02/DCIM").mkdir(parents=True)
    with pytest.raises(UsageError, match=why):
        adopt(yard, folder)


def test_a_folder_inside_a_known_roll_is_refused(yard: ScopedYard) -> None:
    put(yard)
    adopt(yard)
    (yard.root / "config.toml").write_text(
        (yard.root / "config.toml").read_text()
        + '[layout]\nroll = "{shoot}/Originals/{source}/Roll 01/{roll}"\n'
    )
    with pytest.raises(UsageError, match="belongs to a roll"):
        adopt(yard, f"{FOLDER}/SOUND")
    assert strange(yard) == []


def test_a_folder_that_is_a_link_is_refused(yard: ScopedYard) -> None:
    elsewhere = yard.card("elsewhere", SOUND)
    where = yard.root / "Main" / FOLDER
    where.parent.mkdir(parents=True)
    where.symlink_to(elsewhere)
    with pytest.raises(UsageError, match="leads off"):
        adopt(yard)
    assert strange(yard) == []


def test_a_name_with_our_own_mark_is_refused_with_advice(yard: ScopedYard) -> None:
    put(yard, {"SOUND/0001%~2.WAV": clip(1)})
    with pytest.raises(UsageError, match="Rename it"):
        adopt(yard)


def test_names_that_are_not_utf8_are_taken_as_they_are(yard: ScopedYard) -> None:
    odd = {os.fsdecode(b"SOUND/\xff%20\n.WAV"): clip(1)}
    where = put(yard, odd)
    assert adopt(yard).proven == 1
    assert tree(where) == odd
    assert yard.verify("Main").all_well


def test_links_and_leftovers_are_no_part_of_it_and_are_told(yard: ScopedYard) -> None:
    where = put(yard)
    (where / "LINK").symlink_to("NOTES.TXT")
    (where / ".backupkeeper-0123456789abcdef.part").write_bytes(b"half")
    (where / "SOUND/.DS_Store").write_bytes(b"view")
    outcome = adopt(yard)
    assert outcome.files == 3
    assert [path for path, _ in outcome.left_out] == ["SOUND/.DS_Store", "LINK"]
    assert (where / ".backupkeeper-0123456789abcdef.part").exists()


def test_a_place_that_is_away_or_unknown_or_held_is_told(yard: ScopedYard) -> None:
    put(yard)
    with yard.context() as context:
        with pytest.raises(UsageError, match="no such place"):
            adopt_folder(context, PlaceId("nowhere"), FOLDER, QUIET)
        main = next(one for one in context.catalog.places() if one.name == "Main")
        context.catalog.put_place(replace(main, location=str(yard.root / "gone")))
        with pytest.raises(OutOfReachError):
            adopt_folder(context, main.id, FOLDER, QUIET)


def test_while_another_program_works_on_the_drive_nothing_is_done(yard: ScopedYard) -> None:
    put(yard)
    marker = yard.root / "Main/.backupkeeper/place.json"
    with yard.context() as context:
        handle = context.files.lock(str(marker))
        try:
            with pytest.raises(PlaceHeldError):
                adopt(yard)
        finally:
            context.files.close(handle)


def test_a_card_offloaded_later_goes_into_the_next_roll(yard: ScopedYard) -> None:
    put(yard)
    adopt(yard)
    outcome = yard.offload(yard.card("card", {"SOUND/0004.WAV": clip(4)}), source="Recorder")
    assert outcome.folder == f"{SHOOT}/Originals/Recorder/Roll 02"


def test_a_card_whose_files_were_adopted_is_recognised(yard: ScopedYard) -> None:
    put(yard)
    adopt(yard)
    yard.mirror()
    outcome = yard.offload(yard.card("card", SOUND), source="Recorder")
    assert (outcome.new_files, outcome.known_files) == (0, 3)
    assert yard.gaps_of("Roll 01") == (Role.CLOUD,)
