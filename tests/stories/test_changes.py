"""Something changed on a drive: a look tells what is gone, other, or new, and reads nothing."""

import errno
import os
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.actions.changes import Changes, look_at_changes
from backupkeeper.core.errors import OutOfReachError, PlaceHeldError, ReadError, UsageError
from backupkeeper.core.model import CopyState, PlaceId, Result, Way
from backupkeeper.ports.catalog import OpenRoll
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Quiet
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import SHOOT, clip, roll_folder, rot, tree

CARD = {"DCIM/100BOATY/BOAT0001.MP4": clip(1), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}
CLIP = "DCIM/100BOATY/BOAT0001.MP4"
STRANGER = f"{SHOOT}/Originals/Recorder/Roll 01"


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drives()
    made.offload(made.card("card", CARD))
    return made


def look(
    yard: ScopedYard, *folders: str, files: Any = None, progress: Quiet | None = None
) -> Changes:
    ident = yard.place("Main")
    with yard.context() as context:
        seen = context if files is None else replace(context, files=files(context.files))
        return look_at_changes(seen, ident, folders or ("",), progress)


def put(yard: ScopedYard, folder: str, files: dict[str, bytes]) -> Path:
    where = yard.root / "Main" / folder
    for path, data in files.items():
        (where / path).parent.mkdir(parents=True, exist_ok=True)
        (where / path).write_bytes(data)
    return where


def strange(found: Changes) -> list[tuple[str, int, int]]:
    return [(one.folder, one.files, one.size_bytes) for one in found.strange]


def test_where_nothing_changed_nothing_is_told_or_recorded(yard: ScopedYard) -> None:
    before = yard.facts("Main")
    assert look(yard) == Changes(rolls=(), strange=())
    assert yard.facts("Main") == before


@pytest.mark.parametrize(
    ("how", "result", "state"),
    [
        ("gone", Result.MISSING, CopyState.MISSING),
        ("cut", Result.CHANGED, CopyState.DAMAGED),
        ("link", Result.MISSING, CopyState.MISSING),
        ("folder", Result.MISSING, CopyState.MISSING),
    ],
)
def test_a_copy_that_is_gone_or_has_another_size_is_no_longer_believed_in(
    yard: ScopedYard, how: str, result: Result, state: CopyState
) -> None:
    file = roll_folder(yard.root / "Main") / CLIP
    if how == "cut":
        file.write_bytes(b"short")
    else:
        file.unlink()
    if how == "link":
        file.symlink_to(yard.root / "card" / CLIP)
    if how == "folder":
        file.mkdir()
    assert look(yard).rolls == (yard.roll(),)
    fact = yard.facts("Main")[-1]
    assert (fact.way, fact.result) == (Way.LOOKED, result)
    assert yard.copies("Main")[CLIP].state is state
    assert yard.copies("Travel")[CLIP].state is CopyState.PROVEN


def test_another_time_alone_only_names_the_roll(yard: ScopedYard) -> None:
    os.utime(roll_folder(yard.root / "Main") / CLIP, (1_000_000, 1_000_000))
    before = yard.facts("Main")
    assert look(yard).rolls == (yard.roll(),)
    assert yard.facts("Main") == before


def test_a_file_that_was_written_to_since_its_proof_is_proven_no_longer_until_it_is_read(
    yard: ScopedYard,
) -> None:
    """A tool that keeps the size: nothing bad is said of it, but nobody believes in it either."""
    path = roll_folder(yard.root / "Main") / CLIP

    def state() -> CopyState:
        found = yard.copies("Main")
        return next(copy.state for where, copy in found.items() if where.endswith(CLIP))

    yard.clock.at += timedelta(hours=1)
    now = int(yard.clock.now().timestamp()) - 60
    os.utime(path, (now, now))
    assert state() is CopyState.PROVEN
    assert len(look(yard).rolls) == 1
    assert state() is CopyState.WRITTEN
    yard.verify("Main")
    assert state() is CopyState.PROVEN
    look(yard)
    assert state() is CopyState.PROVEN, "it was read since: no need again"
    late = now + 10**6
    os.utime(path, (late, late))
    look(yard)
    assert state() is CopyState.PROVEN, "a time to come says nothing"


def test_other_bytes_of_the_same_size_and_time_are_not_seen_and_not_proven(
    yard: ScopedYard,
) -> None:
    rot(roll_folder(yard.root / "Main") / CLIP, 5, b"rotten")
    before = yard.facts("Main")
    assert look(yard).rolls == ()
    assert yard.facts("Main") == before


def test_a_whole_roll_that_was_deleted_is_told_file_by_file(yard: ScopedYard) -> None:
    where = roll_folder(yard.root / "Main")
    where.rename(yard.root / "elsewhere")
    assert look(yard, SHOOT).rolls == (yard.roll(),)
    assert yard.states("Main") == {CopyState.MISSING}


def test_what_is_known_to_be_missing_is_not_told_twice(yard: ScopedYard) -> None:
    (roll_folder(yard.root / "Main") / CLIP).unlink()
    look(yard)
    count = len(yard.facts("Main"))
    assert look(yard).rolls == ()
    assert len(yard.facts("Main")) == count


@pytest.mark.parametrize(
    ("folder", "is_seen"),
    [
        ("", True),
        (SHOOT, True),
        (f"{SHOOT}/Originals/Wide/Roll 01", True),
        (f"{SHOOT}/Originals/Wide/Roll 01/DCIM/100BOATY", True),
        (f"{SHOOT}/Originals/Wide/Roll 01/MISC", False),
        (f"{SHOOT}/Originals/Wide/Roll 0", False),
        (f"{SHOOT}/Originals/Close", False),
        ("Letters", False),
    ],
)
def test_only_what_lies_above_or_below_a_changed_folder_is_looked_at(
    yard: ScopedYard, folder: str, is_seen: bool
) -> None:
    (roll_folder(yard.root / "Main") / CLIP).unlink()
    assert bool(look(yard, folder).rolls) is is_seen


def test_a_roll_that_this_drive_never_had_is_not_missed(yard: ScopedYard) -> None:
    card = yard.card("second", {"DCIM/100BOATY/BOAT0007.MP4": clip(7)})
    yard.offload_onto(card, "Travel", source="Close")
    assert look(yard) == Changes(rolls=(), strange=())


def test_a_folder_like_a_rolls_with_files_is_strange(yard: ScopedYard) -> None:
    put(yard, STRANGER, {"SOUND/0001.WAV": b"12345", "NOTES.TXT": b"1"})
    assert strange(look(yard)) == [(STRANGER, 2, 6)]
    assert strange(look(yard, f"{STRANGER}/SOUND")) == [(STRANGER, 2, 6)]
    assert strange(look(yard, f"{SHOOT}/Originals/Wide")) == []


@pytest.mark.parametrize(
    ("folder", "files"),
    [
        ("Letters", {"a.txt": b"x"}),
        (f"{SHOOT}/Edits/Wide/Roll 01", {"cut.mov": b"x"}),
        ("Boatyard/Originals/Wide/Roll 01", {"a.mov": b"x"}),
        (f"{SHOOT}/Originals/Recorder", {"a.wav": b"x"}),
        (STRANGER, {"ascmhl/0001.mhl": b"x", ".backupkeeper-0123456789abcdef.part": b"x"}),
        (STRANGER, {".DS_Store": b"x"}),
        (".backupkeeper/Originals/Wide/Roll 01", {"a.mov": b"x"}),
    ],
)
def test_what_is_none_of_our_business_is_not_told(
    yard: ScopedYard, folder: str, files: dict[str, bytes]
) -> None:
    put(yard, folder, files)
    (yard.root / "Main" / SHOOT / "Originals/Recorder/Roll 09/EMPTY").mkdir(parents=True)
    assert look(yard).strange == ()


def test_a_roll_that_is_being_offloaded_is_not_strange(yard: ScopedYard) -> None:
    put(yard, STRANGER, {"SOUND/0001.WAV": b"12345"})
    with yard.context() as context:
        now = context.clock.now()
        begun = OpenRoll(
            shoot=SHOOT, source="Recorder", name="Roll 01", folder=STRANGER, begun_at=now
        )
        context.catalog.record(taken=(begun, ()))
    assert look(yard).strange == ()


@pytest.mark.parametrize("level", [SHOOT, f"{SHOOT}/Originals", STRANGER])
def test_nothing_is_looked_at_through_a_link(yard: ScopedYard, level: str) -> None:
    put(yard, "aside/Originals/Recorder/Roll 01", {"a.wav": b"x"})
    aside = yard.root / "Main/aside"
    old = yard.root / "Main" / level
    if old.exists():
        old.rename(yard.root / "moved away")
    old.parent.mkdir(parents=True, exist_ok=True)
    old.symlink_to(
        aside / STRANGER.removeprefix(SHOOT).removeprefix("/") if level == STRANGER else aside
    )
    assert look(yard).strange == ()


def test_nothing_is_written_to_the_drive(yard: ScopedYard) -> None:
    put(yard, STRANGER, {"SOUND/0001.WAV": b"12345"})
    (roll_folder(yard.root / "Main") / CLIP).unlink()
    before = {p: p.stat().st_mtime_ns for p in (yard.root / "Main").rglob("*")}
    data = tree(yard.root / "Main")
    look(yard)
    assert {p: p.stat().st_mtime_ns for p in (yard.root / "Main").rglob("*")} == before
    assert tree(yard.root / "Main") == data


class Failing:
    """The real system, but some paths can't be looked at."""

    def __init__(self, files: Any, *, stat: str = "-", listing: str = "-") -> None:
        self._files, self._stat, self._listing = files, stat, listing

    def __getattr__(self, name: str) -> Any:
        return getattr(self._files, name)

    def stat(self, path: str) -> Any:
        if path.endswith(self._stat):
            raise OSError(errno.EIO, "made up")
        return self._files.stat(path)

    def list(self, path: str) -> Iterator[tuple[str, EntryKind]]:
        if path.endswith(self._listing):
            raise OSError(errno.EIO, "made up")
        found: Iterator[tuple[str, EntryKind]] = self._files.list(path)
        return found


def test_what_cant_be_looked_at_is_no_news(yard: ScopedYard) -> None:
    put(yard, STRANGER, {"SOUND/0001.WAV": b"12345"})
    before = yard.facts("Main")
    found = look(yard, files=lambda files: Failing(files, stat=CLIP, listing="Recorder/Roll 01"))
    assert found == Changes(rolls=(), strange=())
    assert yard.facts("Main") == before
    assert look(yard, files=lambda files: Failing(files, listing="/Originals")).strange == ()


def test_a_drive_that_cant_be_listed_is_told(yard: ScopedYard) -> None:
    with pytest.raises(ReadError):
        look(yard, files=lambda files: Failing(files, listing="/Main"))


class Pulled(Quiet):
    """The drive goes away while its rolls are looked at."""

    def __init__(self, drive: Path) -> None:
        self.drive = drive

    def file(self, path: str) -> None:
        self.drive.rename(self.drive.with_name("pulled"))


def test_a_drive_that_goes_away_leaves_no_news_of_its_files(yard: ScopedYard) -> None:
    before = yard.facts("Main")
    with pytest.raises(OutOfReachError):
        look(yard, progress=Pulled(yard.root / "Main"))
    assert yard.facts("Main") == before


class PulledInBetween(Failing):
    """The drive goes away just before its first copy is looked at."""

    def stat(self, path: str) -> Any:
        drive = path.partition("/Main/")[0] + "/Main"
        if path.endswith(CLIP) and os.path.isdir(drive):
            os.rename(drive, f"{drive} pulled")
        return self._files.stat(path)


def test_copies_of_a_drive_that_went_in_between_are_not_called_missing(yard: ScopedYard) -> None:
    before = yard.facts("Main")
    with pytest.raises(OutOfReachError):
        look(yard, files=PulledInBetween)
    assert yard.facts("Main") == before


def test_a_place_that_is_away_or_unknown_or_held_is_told(yard: ScopedYard) -> None:
    with yard.context() as context:
        with pytest.raises(UsageError, match="no such place"):
            look_at_changes(context, PlaceId("nowhere"), ("",))
        handle = context.files.lock(f"{yard.root}/Main/.backupkeeper/place.json")
        try:
            with pytest.raises(PlaceHeldError):
                look(yard)
        finally:
            context.files.close(handle)
    (yard.root / "Main").rename(yard.root / "away")
    with pytest.raises(OutOfReachError, match="Main"):
        look(yard)
