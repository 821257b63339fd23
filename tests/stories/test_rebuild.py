"""The catalog is gone: from a drive, from several, from manifests alone, the answers are as before."""

import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.core.adopting import AdoptWish
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import GapReport, ReasonCode
from backupkeeper.core.rebuilding import RebuildOutcome, RebuildWish
from backupkeeper.core.snapshots import FOLDER
from tests.stories.typed import typed, yard_of_today
from tests.stories.yard import QUIET, Yard, clip, roll_folder, rot

FILES = {"DCIM/WIDE0001.MP4": clip(1), "DCIM/WIDE0002.MP4": clip(2), "MISC/EMPTY.DAT": b""}
MORE = {"DCIM/CLOSE01.MP4": clip(3)}


def lose_catalog(yard: Yard) -> None:
    for path in yard.root.glob("catalog.sqlite*"):
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def rebuilt(yard: Yard, *sources: Path | str, **wish: Any) -> RebuildOutcome:
    with yard.keeper() as keeper:
        return keeper.rebuild(
            RebuildWish(sources=tuple(str(one) for one in sources), **wish), progress=QUIET
        )


def answers(yard: Yard, *cards: Path) -> tuple[Any, ...]:
    """What gaps, may-wipe and place list say, without the time at which they say it."""
    with yard.keeper() as keeper:
        report: GapReport = keeper.gaps()
        places = tuple(
            (one.place, one.connected, one.files_held, one.bytes_held, one.note)
            for one in keeper.places()
        )
    verdicts = tuple(
        (verdict.may_wipe, verdict.reasons, {file.path: file.roles for file in verdict.files})
        for verdict in map(yard.verdict, cards)
    )
    return report.rolls, report.unfinished, report.places, places, verdicts


def on_drives(yard: Yard) -> dict[Path, int]:
    """Everything there, with its time."""
    drives = (yard.root / "Main", yard.root / "Travel")
    return {path: path.stat().st_mtime_ns for drive in drives for path in drive.rglob("*")}


@pytest.fixture
def world(yard: Yard) -> tuple[Yard, Path, Path]:
    """Two cards on two drives, one byte spoiled and found."""
    yard.drives()
    wide, close = yard.card("wide", FILES), yard.card("close", MORE)
    yard.offload(wide)
    yard.offload(close, source="Close")
    rot(roll_folder(yard.root / "Travel") / "DCIM/WIDE0002.MP4", 1000, b"spoiled")
    yard.verify()
    return yard, wide, close


@pytest.mark.parametrize("drives", [["Main"], ["Travel"], ["Main", "Travel"]])
def test_from_any_drive_the_answers_are_as_before(
    world: tuple[Yard, Path, Path], drives: list[str]
) -> None:
    yard, *cards = world
    before = answers(yard, *cards)
    assert not before[4][0][0]  # the spoiled byte makes it no
    lose_catalog(yard)
    stood = on_drives(yard)
    outcome = rebuilt(yard, *(yard.root / drive for drive in drives))
    assert on_drives(yard) == stood
    assert outcome.all_well, outcome
    assert (len(outcome.taken), outcome.rolls, outcome.files) == (1, 2, 4)
    assert answers(yard, *cards) == before


def test_damage_that_was_known_is_mended_afterwards(world: tuple[Yard, Path, Path]) -> None:
    """The block maps came back too."""
    yard, wide, _ = world
    lose_catalog(yard)
    rebuilt(yard, yard.root / "Main")
    assert len(yard.repair().mended) == 1
    assert yard.verdict(wide).may_wipe


def test_an_offload_goes_on_as_if_nothing_had_been(world: tuple[Yard, Path, Path]) -> None:
    yard, wide, _ = world
    lose_catalog(yard)
    rebuilt(yard, yard.root / "Travel")
    again = yard.offload(wide)
    assert (again.new_files, again.known_files) == (0, 3)
    (wide / "DCIM/WIDE0003.MP4").write_bytes(clip(9))
    assert yard.offload(wide).new_files == 1


def test_a_broken_snapshot_is_told_and_an_older_one_stands_in(yard: Yard) -> None:
    main, travel = yard.drives()
    yard.offload(yard.card("wide", FILES))
    yard.offload(yard.card("close", MORE), source="Close")
    newest = max((main / FOLDER).iterdir())
    newest.write_bytes(newest.read_bytes()[:-100])
    shutil.rmtree(travel / FOLDER)
    lose_catalog(yard)
    outcome = rebuilt(yard, main)
    assert [one.name for one in outcome.unusable] == [newest.name]
    assert outcome.replaced == outcome.unusable
    assert outcome.rolls == 1
    (unknown,) = outcome.unknown  # the second roll stands on the drive, with its manifest
    assert (unknown.files, unknown.known_by_manifest, unknown.taken_in) == (1, 1, False)
    assert not outcome.all_well


def test_the_same_snapshot_on_another_drive_stands_in(world: tuple[Yard, Path, Path]) -> None:
    yard, *cards = world
    before = answers(yard, *cards)
    newest = max((yard.root / "Main" / FOLDER).iterdir())
    newest.write_bytes(b"nothing")
    lose_catalog(yard)
    outcome = rebuilt(yard, yard.root / "Main", yard.root / "Travel")
    assert [one.where for one in outcome.unusable] == [f"Main ({yard.root}/Main)"]
    assert outcome.taken[0].name == newest.name
    assert outcome.all_well
    assert answers(yard, *cards) == before


def test_from_manifests_alone_rolls_are_told_and_become_ones_by_being_read(
    world: tuple[Yard, Path, Path],
) -> None:
    yard, wide, close = world
    yard.repair()
    for drive in ("Main", "Travel"):
        shutil.rmtree(yard.root / drive / FOLDER)
    lose_catalog(yard)
    outcome = rebuilt(yard, yard.root / "Main", yard.root / "Travel")
    assert (outcome.taken, outcome.rolls) == ((), 0)
    assert {one.place.name for one in outcome.places} == {"Main", "Travel"}
    assert {(one.place, one.files, one.known_by_manifest) for one in outcome.unknown} == {
        ("Main", 3, 3), ("Main", 1, 1), ("Travel", 3, 3), ("Travel", 1, 1),
    }  # fmt: skip
    verdict = yard.verdict(wide)
    assert not verdict.may_wipe  # nothing of it counts before it was read
    assert {reason.code for reason in verdict.reasons} == {ReasonCode.NEVER_OFFLOADED}

    yard.clock.at = yard.clock.at.replace(hour=23)
    outcome = rebuilt(yard, yard.root / "Main", yard.root / "Travel", merge=True, take_in=True)
    assert [one.taken_in for one in outcome.unknown] == [True, True]  # on whichever comes first
    assert outcome.rolls == 2
    yard.mirror()
    for card in (wide, close):
        assert yard.verdict(card).may_wipe


def lose_all_snapshots(yard: Yard) -> None:
    lose_catalog(yard)
    for drive in ("Main", "Travel"):
        shutil.rmtree(yard.root / drive / FOLDER, ignore_errors=True)


@pytest.mark.parametrize("take_in", [True, False], ids=["taken in", "only told"])
@pytest.mark.parametrize("new", ["Boats", "Wide of the first day"])
def test_a_roll_that_was_moved_by_hand_is_known_by_its_manifests_alone(
    world: tuple[Yard, Path, Path], new: str, *, take_in: bool
) -> None:
    yard, wide, _ = world
    yard.repair()
    old = roll_folder(yard.root / "Main") if new != "Boats" else yard.root / "Main/260612 Boatyard"
    old.rename(yard.root / "Main" / new)
    lies = new if new != "Boats" else "Boats/Originals/Wide/Roll 01"
    lose_all_snapshots(yard)
    yard.clock.at += timedelta(days=1)
    done = rebuilt(yard, yard.root / "Main", yard.root / "Travel", take_in=take_in)
    told = {one.folder: one for one in done.unknown if one.place == "Main"}
    assert (told[lies].taken_in, told[lies].known_by_manifest) == (take_in, len(FILES))
    if not take_in:
        assert "can't be known" in told[lies].why, "no roll is known yet at all"
        done = rebuilt(yard, yard.root / "Travel", take_in=True, merge=True)
        done = rebuilt(yard, yard.root / "Main", merge=True)
        told = {one.folder: one for one in done.unknown if one.place == "Main"}
        assert "moved there by hand" in told[lies].why
        assert yard_adopts(yard)
    before = {path: path.stat().st_ino for path in (yard.root / "Main").rglob("*.*")}
    brought = yard.mirror()
    assert brought.troubles == ()
    # The other roll lies where it always did; `adopt` compared it, and else what stands there is now.
    assert brought.copied_files == (take_in and new != "Boats")
    after = {path: path.stat().st_ino for path in (yard.root / "Main").rglob("*.*")}
    assert {path for path in after if "zst" not in path.name} == {
        path for path in before if "zst" not in path.name
    }
    assert all(before[path] == after[path] for path in before if path.suffix == ".MP4")
    with yard.keeper() as keeper:
        assert len(keeper.gaps().rolls) == 2
    assert yard.verify("Main").all_well
    assert yard.verdict(wide).may_wipe


def yard_adopts(yard: Yard) -> bool:
    with yard.keeper() as keeper:
        return not keeper.adopt(AdoptWish(place="Main"), progress=QUIET).failed


def test_a_catalog_that_holds_something_is_left_alone(world: tuple[Yard, Path, Path]) -> None:
    yard, *cards = world
    before = answers(yard, *cards)
    with pytest.raises(UsageError, match="holds something already") as caught:
        rebuilt(yard, yard.root / "Main")
    assert "--merge" in caught.value.advice
    assert answers(yard, *cards) == before
    outcome = rebuilt(yard, yard.root / "Main", merge=True)
    assert [(one.rolls, one.facts) for one in outcome.taken] == [(0, 0)]
    assert answers(yard, *cards) == before


def test_a_dry_run_writes_nothing(world: tuple[Yard, Path, Path]) -> None:
    yard, *_ = world
    lose_catalog(yard)
    outcome = rebuilt(yard, yard.root / "Main", dry_run=True)
    assert (outcome.rolls, outcome.files) == (2, 4)
    assert outcome.all_well
    with yard.keeper() as keeper:
        assert keeper.gaps().rolls == ()
        assert keeper.places() == ()
    left = {path.name for path in yard.root.glob("catalog.sqlite*")}
    assert left <= {
        "catalog.sqlite",
        "catalog.sqlite-wal",
        "catalog.sqlite-shm",
        "catalog.sqlite.locks",
    }


def test_two_machines_on_the_same_drives_know_together_what_each_knew(tmp_path: Path) -> None:
    drives = tmp_path / "drives"
    for machine in ("one", "two"):
        (tmp_path / machine).mkdir()
    drives.mkdir()
    one, two = (Yard(tmp_path / machine) for machine in ("one", "two"))
    for name, role in (("Main", Role.PRIMARY), ("Travel", Role.SECONDARY)):
        (drives / name).mkdir()
        with one.keeper() as keeper:
            keeper.add_drive(str(drives / name), role=role, name=name, folder=True)
    two.clock.at = two.clock.at.replace(hour=20)
    with two.keeper() as keeper:
        keeper.add_drive(str(drives / "Main"), role=Role.PRIMARY, name="Main", folder=True)
        keeper.add_drive(str(drives / "Travel"), role=Role.SECONDARY, name="Travel", folder=True)
    wide, close = one.card("wide", FILES), two.card("close", MORE)
    one.offload(wide)
    two.offload(close, source="Close")
    (tmp_path / "new").mkdir()
    three = Yard(tmp_path / "new", clock=replace(two.clock))
    outcome = rebuilt(three, drives / "Main")
    assert (len(outcome.taken), outcome.rolls) == (2, 2)
    assert three.verdict(wide).may_wipe
    assert three.verdict(close).may_wipe
    # And the first machine learns what the second one did.
    assert not one.verdict(close).may_wipe
    rebuilt(one, drives / "Travel", merge=True)
    one.clock.at = two.clock.at
    assert one.verdict(close).may_wipe


def test_a_folder_with_snapshots_that_somebody_fetched_is_enough(
    world: tuple[Yard, Path, Path],
) -> None:
    yard, *cards = world
    before = answers(yard, *cards)
    fetched = yard.root / "fetched"
    shutil.copytree(yard.root / "Main" / FOLDER, fetched)
    lose_catalog(yard)
    outcome = rebuilt(yard, fetched)
    assert outcome.rolls == 2
    assert answers(yard, *cards) == before


def test_a_clone_of_a_drive_is_told_and_not_known_as_it(world: tuple[Yard, Path, Path]) -> None:
    """What makes a place is its marker and its file system."""
    yard, *_ = world
    with yard.keeper() as keeper:
        (main,) = (one.place for one in keeper.places() if one.place.name == "Main")
        keeper.context.catalog.put_place(replace(main, fs_uuid="1234-ABCD"))
    yard.mirror()
    lose_catalog(yard)
    outcome = rebuilt(yard, yard.root / "Main", yard.root / "Travel")
    assert outcome.rolls == 2
    (trouble,) = outcome.troubles
    assert "another file system: a clone" in trouble.message
    assert {one.place.name: one.here for one in outcome.places} == {"Main": False, "Travel": True}


def test_what_a_person_types(tmp_path: Path) -> None:
    yard = yard_of_today(tmp_path)
    main, _ = yard.drives()
    yard.offload(yard.card("wide", FILES))
    before = typed(yard, "gaps", "--json").json["rolls"]
    lose_catalog(yard)
    said = typed(yard, "rebuild", "--from", str(main))
    assert said.code == 0
    assert "The catalog knows now: 1 roll, 3 files" in said.out
    assert "backupkeeper verify" in said.out
    assert typed(yard, "gaps", "--json").json["rolls"] == before
    again = typed(yard, "rebuild", "--from", str(main))
    assert again.code == 2
    assert "--merge" in again.err
    told = typed(yard, "rebuild", "--merge", "--from", str(main), "--json").json
    assert told["snapshots"][0]["new_facts"] == 0
    assert {place["here"] for place in told["places"]} == {True}


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("--from", "/nowhere/at/all"), 2, "nothing at /nowhere/at/all"),
        (("--from", "s3://x"), 2, "can't be the name of a bucket"),
        (("--endpoint", "http://127.0.0.1:9"), 2, "--from s3://BUCKET/PREFIX"),
        ((), 3, "No drive with a marker"),
    ],
)
def test_what_can_not_be_is_said(
    tmp_path: Path, words: tuple[str, ...], code: int, told: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr("backupkeeper.actions.rebuild.drives_here", lambda _context: iter(()))
    said = typed(yard_of_today(tmp_path), "rebuild", *words)
    assert (said.code, told in said.err) == (code, True), said


def test_an_empty_folder_gives_nothing_and_says_so(tmp_path: Path) -> None:
    yard = yard_of_today(tmp_path)
    (tmp_path / "empty").mkdir()
    said = typed(yard, "rebuild", "--from", str(tmp_path / "empty"))
    assert said.code == 1
    assert "No usable snapshot was found" in said.out
