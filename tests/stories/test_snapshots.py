"""The catalog is kept on every drive by the commands that do something."""

import dataclasses
import os
import sqlite3
from contextlib import closing, suppress
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

import pytest
import zstandard

from backupkeeper.actions.doubting import put_in_doubt
from backupkeeper.actions.online import online_drives
from backupkeeper.actions.snapshots import keep_snapshots
from backupkeeper.catalog.foreign import checked
from backupkeeper.catalog.snapshot import Packed, pack
from backupkeeper.catalog.unpacking import unpack
from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.snapshots import FOLDER, KEPT_ON_DRIVES, snapshot_name
from backupkeeper.ports.files import Files, Handle
from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import QUIET, Yard, clip
from tests.world.killing import Faults, Killed

FILES = {"DCIM/WIDE0001.MP4": clip(1), "DCIM/WIDE0002.MP4": clip(2)}


def snapshots_on(drive: Path) -> list[Path]:
    return sorted((drive / FOLDER).iterdir())


def rolls_in(snapshot: Path, scratch: Path) -> list[tuple[str]]:
    """By a general tool and SQLite alone: nothing of this program is needed to read one."""
    with snapshot.open("rb") as packed, scratch.open("wb") as out:
        zstandard.ZstdDecompressor().copy_stream(packed, out)
    with closing(sqlite3.connect(scratch)) as found:
        assert found.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert found.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        return found.execute("SELECT CAST(name AS TEXT) FROM rolls").fetchall()


def beside(yard: Yard) -> set[str]:
    return {path.name for path in yard.root.iterdir() if "catalog.sqlite.snapshot" in path.name}


def test_after_an_offload_every_drive_has_one(yard: Yard) -> None:
    drives = yard.drives()
    yard.offload(yard.card("card", FILES))
    for drive in drives:
        (only,) = snapshots_on(drive)
        name = snapshot_name(only.name)
        assert name is not None
        assert rolls_in(only, yard.root / "scratch") == [("Roll 01",)]
    assert beside(yard) == set()


def test_what_a_person_typed_leaves_one_of_a_large_catalog_too(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("backupkeeper.core.snapshots.SMALL_BYTES", 0)
    drives = yard.drives()
    yard.offload(yard.card("card", {"a.mp4": clip(1)}))
    yard.offload(yard.card("card 2", {"b.mp4": clip(2)}), source="Close")
    for drive in drives:
        assert len(rolls_in(snapshots_on(drive)[-1], yard.root / "scratch")) == 2


def test_what_changed_nothing_takes_none(yard: Yard) -> None:
    main, _ = yard.drives()
    yard.offload(yard.card("card", FILES))
    before = snapshots_on(main)
    yard.mirror()
    assert snapshots_on(main) == before


def test_a_short_history_stays_and_the_newest_is_the_whole(yard: Yard) -> None:
    main, travel = yard.drives()
    for number in range(4):
        yard.offload(yard.card(f"card {number}", {"DCIM/A.MP4": clip(number)}))
    for drive in (main, travel):
        there = snapshots_on(drive)
        assert len(there) == KEPT_ON_DRIVES
        assert len(rolls_in(there[-1], yard.root / "scratch")) == 4
        assert len(rolls_in(there[-2], yard.root / "scratch")) == 3


def test_a_drive_that_was_away_gets_it_when_it_is_here_again(yard: Yard) -> None:
    main, travel = yard.drives()
    travel.rename(yard.root / "away")
    yard.offload(yard.card("card", FILES))
    assert not (yard.root / "away" / FOLDER).exists()
    (yard.root / "away").rename(travel)
    yard.mirror()
    assert len(rolls_in(snapshots_on(travel)[-1], yard.root / "scratch")) == 1
    assert len(snapshots_on(main)) == 2


def test_another_catalogs_snapshots_stay(yard: Yard) -> None:
    main, _ = yard.drives()
    (main / FOLDER).mkdir(parents=True)
    name = f"20200101T000000000000Z-{'0' * 32}-{'1' * 64}.sqlite.zst"
    for more in (name, "notes.txt"):
        (main / FOLDER / more).write_bytes(b"not ours")
    for number in range(4):
        yard.offload(yard.card(f"card {number}", {"DCIM/A.MP4": clip(number)}))
    assert (main / FOLDER / name).read_bytes() == b"not ours"
    assert (main / FOLDER / "notes.txt").exists()


def test_gaps_tells_quietly_where_none_is(tmp_path: Path) -> None:
    yard = yard_of_today(tmp_path)
    _, travel = yard.drives()
    travel.rename(yard.root / "away")
    yard.offload(yard.card("card", FILES))
    said = typed(yard, "gaps")
    assert "Without a current snapshot of the catalog: Travel." in said.out
    told = {one["place"]: one for one in typed(yard, "gaps", "--json").json["snapshots"]}
    assert told["Main"]["current"] is True
    assert told["Travel"] == {"place": "Travel", "at": None, "current": False}
    (yard.root / "away").rename(travel)
    yard.mirror()
    assert "snapshot" not in typed(yard, "gaps").out


def test_no_secret_is_in_it(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever an environment or a configuration leads to: the catalog is handed none of it."""
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "hush-of-the-store")
    (yard.root / "password").write_text("hush-of-the-mail")
    (yard.root / "password").chmod(0o600)
    with (yard.root / "config.toml").open("a") as config:
        config.write(
            '[mail]\nto = "a@boat.example"\nsender = "b@boat.example"\nhost = "mail.boat.example"\n'
            f'user = "yard"\npassword_from = "file:{yard.root}/password"\n'
        )
    main, _ = yard.drives()
    yard.offload(yard.card("card", FILES))
    with snapshots_on(main)[-1].open("rb") as packed:
        raw = zstandard.ZstdDecompressor().stream_reader(packed).read()
    assert b"hush" not in raw
    assert b"Roll 01" in raw


def test_a_snapshot_that_can_not_be_written_fails_no_deed(yard: Yard) -> None:
    main, travel = yard.drives()
    (main / ".backupkeeper" / "catalog").write_text("a file where the folder should be")
    said = typed(yard_of_today(yard.root), "gaps", "--json")
    assert said.code in {0, 1}
    outcome = yard.offload(yard.card("card", FILES))
    assert outcome.sealed
    assert len(snapshots_on(travel)) == 1
    assert (main / ".backupkeeper" / "catalog").read_text().startswith("a file")


def snapshot_is_whole(path: Path, scratch: Path) -> bool:
    """By its name's digest and by looking at every row."""
    name = snapshot_name(path.name)
    assert name is not None
    data = path.read_bytes()
    unpack([memoryview(data)], str(scratch), name.blake3)
    checked(str(scratch))
    return True


class Held:
    """Files whose locks end with the program, as those of a killed one do."""

    def __init__(self, files: Files) -> None:
        self._files = files
        self._locks: set[Handle] = set()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._files, name)

    def lock(self, path: str) -> Handle:
        handle = self._files.lock(path)
        self._locks.add(handle)
        return handle

    def close(self, handle: Handle) -> None:
        self._locks.discard(handle)
        self._files.close(handle)

    def die(self) -> None:
        for handle in self._locks:
            self._files.close(handle)


STEP = 1 if "BACKUPKEEPER_KILLS" in os.environ else 5
WAYS = [(at, before) for at in range(1, 1000, STEP) for before in (True, False)]


def test_killed_at_any_call_the_old_one_or_the_new_one_is_there_and_none_is_torn(
    yard: Yard,
) -> None:
    """Every call on the files, before and after it is carried out; then the same goes on."""
    main, _ = yard.drives()
    yard.offload(yard.card("wide", FILES))
    (old,) = snapshots_on(main)
    with yard.keeper() as keeper:
        context = keeper.context
        fact = next(iter(context.catalog.facts_at(next(iter(context.catalog.places())).id)))
    calls = 0
    for at, before in WAYS:
        with yard.keeper() as keeper:
            context = keeper.context
            context.catalog.record(facts=[dataclasses.replace(fact, at=yard.clock.now())])
            held = Held(context.files)
            faults = Faults.around(cast("Files", held), at=at, then=Killed(), before=before)
            broken = dataclasses.replace(context, files=faults.port)
            with suppress(Killed, BackupkeeperError):
                keep_snapshots(broken, QUIET, brought=True, buckets=False)
            held.die()
            calls = max(calls, len(faults.calls))
            if len(faults.calls) < at:
                break
        there = [path for path in snapshots_on(main) if snapshot_name(path.name)]
        assert there
        assert all(snapshot_is_whole(path, yard.root / "scratch") for path in there)
    assert calls > 20
    assert old.exists() is False or snapshot_is_whole(old, yard.root / "scratch")
    yard.mirror()
    assert len(snapshots_on(main)) == KEPT_ON_DRIVES  # no temporary file is left


def test_a_deed_of_the_daemon_leaves_one_where_it_was_at_work(yard: Yard) -> None:
    main, travel = yard.drives()
    card = yard.card("wide", FILES)
    yard.offload(card)
    before = snapshots_on(travel)
    with yard.keeper() as keeper:
        place = next(one.place for one in keeper.places() if one.place.name == "Main")
        roll = keeper.gaps().rolls[0].roll
        yard.clock.at += timedelta(days=80)
        deed = Deed(kind=DeedKind.PROVE, why="", place=place.id, roll=roll.id, folder=roll.folder)
        assert keeper.do(deed, QUIET).files == 2
    assert len(snapshots_on(main)) == 2
    assert snapshots_on(travel) == before


def test_a_drive_in_doubt_is_left_alone(yard: Yard) -> None:
    main, travel = yard.drives()
    with yard.keeper() as keeper:
        context = keeper.context
        here = {drive.place.name: drive for drive in online_drives(context)[0]}
        put_in_doubt(context, here["Main"], yard.clock.now())
    yard.offload(yard.card("wide", FILES))
    assert not (main / FOLDER).exists()
    assert len(snapshots_on(travel)) == 1


def test_a_disk_of_the_catalog_that_goes_after_an_offload_is_no_bug(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = yard_of_today(tmp_path)
    yard.drives()

    def packed_and_gone(path: str, beside: str) -> Packed:
        made = pack(path, beside)
        Path(beside).unlink()
        return made

    monkeypatch.setattr("backupkeeper.actions.snapshots.pack", packed_and_gone)
    said = offloaded(yard, yard.card("card", FILES))
    assert said.code == 0, said.all
    assert "Main: 2 of 2 files of the card proven" in said.all
