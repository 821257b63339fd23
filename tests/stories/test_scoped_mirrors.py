"""One roll from one drive to one drive, as the daemon asks for it."""

import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from backupkeeper.actions.mirror import mirror_roll
from backupkeeper.core.errors import DriveGoneError, OutOfReachError, PlaceHeldError, UsageError
from backupkeeper.core.model import CopyState, PlaceId, Role
from backupkeeper.ports.files import Files
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer import batches, pipeline
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import AtAdvance
from tests.stories.yard import QUIET, clip, roll_folder, rot, tree

MiB = 1 << 20
CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 2 * MiB + 7),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2, MiB + 1),
    "DCIM/100BOATY/BOAT0003.MP4": clip(3, MiB + 1),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "MISC/INDEX.DAT": b"",
}
OTHER_CARD = {"DCIM/100BOATY/BOAT0101.MP4": clip(4)}


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ScopedYard:
    monkeypatch.setattr(batches, "LARGE_BYTES", MiB)
    yard = ScopedYard(tmp_path)
    yard.drive("Main", Role.PRIMARY)
    return yard


def on_main(yard: ScopedYard) -> Path:
    card = yard.card("card", CARD)
    (card / "EMPTY").mkdir()
    assert yard.offload(card).sealed
    return card


def test_one_roll_comes_whole_with_its_manifest_and_empty_folders(yard: ScopedYard) -> None:
    card = on_main(yard)
    travel = yard.drive("Travel", Role.SECONDARY)
    outcome = yard.mirror_one(to="Travel", origin="Main")
    assert (outcome.copied_files, outcome.troubles, outcome.waiting) == (len(CARD), (), ())
    assert outcome.rolls == ((yard.head().folder, "Travel"),)
    assert tree(roll_folder(travel)) == CARD
    assert (roll_folder(travel) / "EMPTY").is_dir()
    assert list((roll_folder(travel) / "ascmhl").glob("*.mhl"))
    assert yard.verdict(card).may_wipe
    again = yard.mirror_one(to="Travel", origin="Main")
    assert (again.copied_files, again.troubles, again.waiting) == (0, (), ())


def test_only_the_roll_that_is_named_is_brought(yard: ScopedYard) -> None:
    on_main(yard)
    yard.offload(yard.card("other", OTHER_CARD))
    travel = yard.drive("Travel", Role.SECONDARY)
    assert yard.mirror_one(to="Travel", origin="Main", roll="Roll 02").copied_files == 1
    assert tree(roll_folder(travel, "Roll 02")) == OTHER_CARD
    assert not roll_folder(travel).exists()


def test_what_is_there_already_is_left_and_the_rest_is_brought(yard: ScopedYard) -> None:
    on_main(yard)
    travel = yard.drive("Travel", Role.SECONDARY)
    yard.mirror_one(to="Travel", origin="Main")
    lost = roll_folder(travel) / "DCIM/100BOATY/BOAT0002.MP4"
    lost.unlink()
    rot(roll_folder(travel) / "DCIM/100BOATY/BOAT0003.MP4", 9, b"spoiled")
    yard.verify("Travel")
    outcome = yard.mirror_one(to="Travel", origin="Main")
    assert (outcome.copied_files, outcome.troubles) == (1, ())
    assert lost.read_bytes() == CARD["DCIM/100BOATY/BOAT0002.MP4"]
    assert b"spoiled" in (roll_folder(travel) / "DCIM/100BOATY/BOAT0003.MP4").read_bytes()[:20]


def test_a_second_drive_of_a_role_that_is_filled_gets_nothing(yard: ScopedYard) -> None:
    on_main(yard)
    yard.drive("Travel", Role.SECONDARY)
    yard.mirror_one(to="Travel", origin="Main")
    spare = yard.drive("Spare", Role.SECONDARY)
    assert yard.mirror_one(to="Spare", origin="Main").copied_files == 0
    assert tree(spare / "260612 Boatyard") == {}


def on_device(yard: ScopedYard, name: str, device: str) -> None:
    """The catalog holds this place to be on that device."""
    with yard.context() as context:
        place = next(one for one in context.catalog.places() if one.name == name)
        context.catalog.put_place(replace(place, device=device))


class MadeUpDevices:
    """The machine's mounts, but each folder is on a device of its own or of our choosing."""

    def __init__(self, mounts: Any, devices: dict[str, str]) -> None:
        self._mounts = mounts
        self._devices = devices
        self._under = ""

    def under(self, path: str) -> Any:
        self._under = path
        return self._mounts.under(path)

    def inspect(self, mount: Any) -> Any:
        device = next((d for name, d in self._devices.items() if f"/{name}" in self._under), None)
        return replace(self._mounts.inspect(mount), device=device)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._mounts, name)


def test_a_role_whose_copies_share_a_device_with_another_gets_a_copy_on_its_own(
    tmp_path: Path,
) -> None:
    yard = ScopedYard(
        tmp_path, policy='wipe_needs = ["primary", "secondary"]\nroles = ["primary", "secondary"]'
    )
    devices = {"Main": "one disk", "Half": "one disk", "Travel": "another disk"}
    for name, role in (("Main", Role.PRIMARY), ("Half", Role.SECONDARY)):
        yard.drive(name, role)
    on_main(yard)
    travel = yard.drive("Travel", Role.SECONDARY)
    ident, target, source = yard.roll(), yard.place("Travel"), yard.place("Main")

    def mirrored() -> int:
        with yard.context() as context:
            mounts = cast("Any", MadeUpDevices(context.mounts, devices))
            return mirror_roll(
                replace(context, mounts=mounts),
                ident,
                target=target,
                source=source,
                progress=QUIET,
            ).copied_files

    for name, device in devices.items():
        on_device(yard, name, device)
    assert tree(roll_folder(tmp_path / "Half")) == CARD
    assert mirrored() == len(CARD)
    assert tree(roll_folder(travel)) == CARD
    assert yard.gaps_of("Roll 01") == ()
    assert mirrored() == 0


def test_no_other_drive_than_the_source_is_read(yard: ScopedYard) -> None:
    on_main(yard)
    yard.drive("Travel", Role.SECONDARY)
    yard.mirror_one(to="Travel", origin="Main")
    yard.drive("Old", Role.PRIMARY)  # knows nothing of the roll
    rot(roll_folder(yard.root / "Travel") / "DCIM/100BOATY/BOAT0001.XML", 1, b"spoiled")
    yard.verify("Travel")
    shutil.rmtree(roll_folder(yard.root / "Travel") / "MISC")
    yard.verify("Travel")
    outcome = yard.mirror_one(to="Travel", origin="Old")
    assert outcome.copied_files == 0
    assert "no proven copy" in " ".join(outcome.waiting)


def test_bytes_that_rotted_on_the_source_are_not_copied_on(yard: ScopedYard) -> None:
    on_main(yard)
    travel = yard.drive("Travel", Role.SECONDARY)
    rot(roll_folder(yard.root / "Main") / "DCIM/100BOATY/BOAT0002.MP4", 77, b"spoiled")
    outcome = yard.mirror_one(to="Travel", origin="Main")
    assert outcome.copied_files == len(CARD) - 1
    (trouble,) = outcome.troubles
    assert (trouble.place, "BOAT0002" in trouble.path) == ("Main", True)
    assert not (roll_folder(travel) / "DCIM/100BOATY/BOAT0002.MP4").exists()
    assert CopyState.DAMAGED in yard.states("Main")


def test_a_drive_without_room_gets_nothing_and_that_is_said(
    yard: ScopedYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_main(yard)
    travel = yard.drive("Travel", Role.SECONDARY)
    monkeypatch.setattr(RealFiles, "free_bytes", lambda self, path: 1000)
    (trouble,) = yard.mirror_one(to="Travel", origin="Main").troubles
    assert (trouble.place, "no room" in trouble.message) == ("Travel", True)
    assert tree(travel / "260612 Boatyard") == {}


@pytest.mark.parametrize("away", ["Main", "Travel"])
def test_a_drive_that_is_not_here_is_an_error_of_its_own(yard: ScopedYard, away: str) -> None:
    on_main(yard)
    yard.drive("Travel", Role.SECONDARY)
    (yard.root / away).rename(yard.root / "elsewhere")
    with pytest.raises(DriveGoneError, match=away):
        yard.mirror_one(to="Travel", origin="Main")


def test_a_lost_drive_and_a_place_that_is_none_are_refused(yard: ScopedYard) -> None:
    on_main(yard)
    yard.drive("Travel", Role.SECONDARY)
    ident, main = yard.roll(), yard.place("Main")
    with yard.context() as context:
        place = next(one for one in context.catalog.places() if one.name == "Travel")
        context.catalog.put_place(replace(place, standing=type(place.standing).LOST))
        with pytest.raises(OutOfReachError, match="counts as lost"):
            mirror_roll(context, ident, target=place.id, source=main, progress=QUIET)
        with pytest.raises(UsageError, match="No place"):
            mirror_roll(context, ident, target=PlaceId("x"), source=main, progress=QUIET)


@pytest.mark.parametrize("held", ["Main", "Travel"])
def test_both_drives_are_held(yard: ScopedYard, held: str) -> None:
    on_main(yard)
    yard.drive("Travel", Role.SECONDARY)
    place = yard.place(held)
    with (
        yard.context() as context,
        context.locks.hold(place, called=held, doing="something else"),
        pytest.raises(PlaceHeldError, match=held),
    ):
        yard.mirror_one(to="Travel", origin="Main")


class Leaving:
    """The real system, until a drive is pulled: at the nth write to it everything below it fails."""

    def __init__(self, root: Path, at: int) -> None:
        self._files = RealFiles()
        self._root = root
        self._left = at
        self.read_from: list[str] = []

    def __getattr__(self, name: str) -> Any:
        call = getattr(self._files, name)

        def watched(*args: Any, **named: Any) -> Any:
            if name == "open_read":
                self.read_from.append(args[0])
            if name == "write_at":
                self._left -= 1
                if not self._left:
                    self._root.rename(self._root.with_name("pulled"))
            return call(*args, **named)

        return watched


def test_a_target_that_goes_ends_the_work_at_once_and_blames_no_source(
    yard: ScopedYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pipeline, "RING_SLOTS", 2)  # reads little ahead of what is written
    many = {f"DCIM/100BOATY/BOAT{number:04}.MP4": clip(number, 2 * MiB) for number in range(12)}
    yard.offload(yard.card("card", many))
    travel = yard.drive("Travel", Role.SECONDARY)
    ident, target, source = yard.roll(), yard.place("Travel"), yard.place("Main")
    files = Leaving(travel, at=1)
    with yard.context() as context, pytest.raises(DriveGoneError):
        mirror_roll(
            replace(context, files=cast("Files", files)),
            ident,
            target=target,
            source=source,
            progress=QUIET,
        )
    clips = [path for path in files.read_from if "/Main/" in path and path.endswith(".MP4")]
    assert len(clips) == len(set(clips))  # none was read a second time, to find out what ails it
    assert len(yard.facts("Main")) == len(many)
    (yard.root / "pulled").rename(travel)
    assert yard.mirror_one(to="Travel", origin="Main").troubles == ()
    assert tree(roll_folder(travel)) == many


def interrupt() -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize("number", range(1, 9))
def test_stopped_at_any_moment_it_is_taken_up_and_ends_well(yard: ScopedYard, number: int) -> None:
    card = on_main(yard)
    travel = yard.drive("Travel", Role.SECONDARY)
    try:
        yard.mirror_one(to="Travel", origin="Main", progress=AtAdvance(number, interrupt))
    except KeyboardInterrupt:
        there = {name for name, data in tree(roll_folder(travel)).items() if CARD.get(name) == data}
        known = {
            name for name, one in yard.copies("Travel").items() if one.state is CopyState.PROVEN
        }
        assert known <= there  # no fact without its file
    assert yard.mirror_one(to="Travel", origin="Main").troubles == ()
    assert tree(roll_folder(travel)) == CARD
    assert yard.verdict(card).may_wipe
    assert not [name for name in os.listdir(roll_folder(travel)) if name.startswith(".backup")]
