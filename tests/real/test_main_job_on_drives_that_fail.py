"""The main job while drives and cards fail: full, torn off, read-only, without power."""

import shutil
from contextlib import suppress
from pathlib import Path
from subprocess import CalledProcessError
from typing import NoReturn

import pytest

from tests.real.loopdev import run
from tests.real.main_job_parts import CARD, Fs, MiB, fill, kinds, take_in
from tests.stories.typed import AtAdvance, judged, offloaded, typed
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, tree

pytest_plugins = ["tests.real.main_job_fixtures"]
pytestmark = pytest.mark.slow


@pytest.mark.real("ext4", "xfs")
def test_an_unmounted_drive_is_told_and_its_folder_gets_nothing(fs: Fs, yard: Yard) -> None:
    main, travel, card = fs("ext4", 160), fs("xfs", 300), fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    main.unmount()
    trap = Path(main.point)
    offloaded(yard, card)
    assert list(trap.iterdir()) == []
    assert judged(yard, card) == ("no", {"no-copy"})
    mirrored = typed(yard, "mirror")
    assert mirrored.code == 1
    assert "Main is not here" in " ".join(mirrored.all.split())
    assert typed(yard, "verify", "Main").code == 3
    assert "Main is not here" in " ".join(typed(yard, "verify", "Main").all.split())
    assert list(trap.iterdir()) == []
    main.mount()
    assert typed(yard, "mirror").code == 0
    assert judged(yard, card) == ("yes", set())


@pytest.mark.real("ext4")
def test_a_folder_that_pretends_to_be_the_unmounted_drive_gets_nothing(fs: Fs, yard: Yard) -> None:
    main, travel, card = fs("ext4", 160), fs("ext4", 160), fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    marker = (Path(main.point) / ".backupkeeper/place.json").read_bytes()
    main.unmount()
    trap = Path(main.point)
    (trap / ".backupkeeper").mkdir()
    (trap / ".backupkeeper/place.json").write_bytes(marker)
    offloaded(yard, card)
    assert sorted(path.name for path in trap.rglob("*")) == [".backupkeeper", "place.json"]
    assert judged(yard, card) == ("no", {"no-copy"})
    shutil.rmtree(trap / ".backupkeeper")


@pytest.mark.parametrize("number", [1, 4])
@pytest.mark.real("ext4")
def test_a_drive_torn_off_half_way_gets_nothing_in_the_folder_left_behind(
    fs: Fs, yard: Yard, number: int
) -> None:
    main, travel = fs("ext4", 160), fs("ext4", 160)
    files = {f"DCIM/100BOATY/BOAT{n:04}.MP4": clip(n, 33 * MiB + n) for n in range(2)}
    card = fill(fs("ext4", 128), files)
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    with yard.keeper() as keeper:
        outcome = keeper.offload(
            str(card),
            shoot=SHOOT,
            source="Wide",
            roll=None,
            progress=AtAdvance(number, main.pull),
        )
    assert list(Path(main.point).iterdir()) == []
    assert {one.place for one in outcome.troubles} == {"Main"}, outcome.troubles
    assert tree(roll_folder(Path(travel.point))) == files
    word, codes = judged(yard, card)
    assert word == "no"
    assert codes <= {"no-copy", "missing"}
    main.mount()
    said = offloaded(yard, card)
    assert said.code == 0, said.all
    assert tree(roll_folder(Path(main.point))) == files
    assert judged(yard, card) == ("yes", set())


@pytest.mark.real("ext4")
def test_a_drive_without_room_is_left_out_before_the_first_byte(fs: Fs, yard: Yard) -> None:
    main, travel, card = fs("ext4", 24), fs("ext4", 160), fill(fs("ext4", 64))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    said = offloaded(yard, card)
    assert (said.code, "Main has" in said.all) == (1, True)
    assert not (Path(main.point) / SHOOT).exists()
    assert judged(yard, card) == ("no", {"no-copy"})
    travel.unmount()
    alone = offloaded(yard, card)
    assert (alone.code, "Nothing was written" in alone.err) == (3, True)


def interrupt() -> NoReturn:
    raise KeyboardInterrupt


@pytest.mark.parametrize("deed", ["offload", "mirror"])
@pytest.mark.real("ext4")
def test_what_an_interruption_left_is_not_asked_room_for_again(
    fs: Fs, yard: Yard, deed: str
) -> None:
    drive, other = fs("ext4", 160), fs("ext4", 300)
    files = {"BOAT0001.MP4": clip(1, 50 * MiB)}
    card = fill(fs("ext4", 96), files)
    if deed == "mirror":
        take_in(yard, other, "secondary", "Travel")
        assert offloaded(yard, card).code == 0
    take_in(yard, drive, "primary", "Main")
    halfway = AtAdvance(6, interrupt)
    with yard.keeper() as keeper, pytest.raises(KeyboardInterrupt):
        keeper.mirror(progress=halfway) if deed == "mirror" else keeper.offload(
            str(card), shoot=SHOOT, source="Wide", roll=None, progress=halfway
        )
    assert shutil.disk_usage(drive.point).free < (50 + 64) * MiB
    again = typed(yard, "mirror") if deed == "mirror" else offloaded(yard, card)
    assert again.code == 0, again.all
    assert tree(roll_folder(Path(drive.point))) == files


@pytest.mark.real("ext4")
def test_a_drive_that_fills_up_half_way_loses_nothing(fs: Fs, yard: Yard) -> None:
    main, travel = fs("ext4", 160), fs("ext4", 160)
    files = {f"BOAT{n:04}.MP4": clip(n, 33 * MiB) for n in range(2)}
    card = fill(fs("ext4", 128), files)
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    hog = Path(main.point) / "hog"

    def fill_up() -> None:
        with suppress(CalledProcessError):  # it writes until there is no room
            run("dd", "if=/dev/zero", f"of={hog}", "bs=1M")

    with yard.keeper() as keeper:
        outcome = keeper.offload(
            str(card), shoot=SHOOT, source="Wide", roll=None, progress=AtAdvance(1, fill_up)
        )
    assert {one.place for one in outcome.troubles} == {"Main"}
    assert all("ENOSPC" in one.message for one in outcome.troubles)
    assert tree(roll_folder(Path(travel.point))) == files
    assert judged(yard, card)[0] == "no"
    for path, data in tree(Path(main.point)).items():
        named = Path(path).name
        assert data == files.get(named, data)
    hog.unlink()
    said = offloaded(yard, card)
    assert said.code == 0, said.all
    assert judged(yard, card) == ("yes", set())


@pytest.mark.real("ext4")
def test_a_drive_that_can_not_be_written_to_is_told(fs: Fs, yard: Yard) -> None:
    main, travel, card = fs("ext4", 160), fs("ext4", 160), fill(fs("ext4", 32))
    travel.remount(options="ro")
    said = typed(yard, "place", "add", travel.point, "--role", "secondary", "--name", "Travel")
    assert (said.code, "read-only" in said.err) == (3, True)
    travel.remount()
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    travel.remount(options="ro")
    said = offloaded(yard, card)
    assert said.code == 1
    assert "read-only" in said.all
    assert judged(yard, card) == ("no", {"no-copy"})
    travel.remount()
    assert offloaded(yard, card).code == 0
    assert judged(yard, card) == ("yes", set())


@pytest.mark.parametrize("number", [1, 3])
@pytest.mark.real("ext4")
def test_a_card_torn_out_half_way_is_told_and_gone_on_with(fs: Fs, yard: Yard, number: int) -> None:
    main, travel, medium = fs("ext4", 300), fs("ext4", 300), fs("ext4", 160)
    files = {f"DCIM/100BOATY/BOAT{n:04}.MP4": clip(n, 33 * MiB) for n in range(3)}
    card = fill(medium, files)
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    with yard.keeper() as keeper:
        outcome = keeper.offload(
            str(card),
            shoot=SHOOT,
            source="Wide",
            roll=None,
            progress=AtAdvance(number, medium.pull),
        )
    assert not outcome.sealed
    assert {one.place for one in outcome.troubles} == {"card"}
    for drive in (main, travel):
        for path, data in tree(roll_folder(Path(drive.point))).items():
            assert data == files.get(path, data)
    said = offloaded(yard, card)  # the folder is empty now
    assert said.code in {0, 1}
    word, _ = judged(yard, card)
    assert word == "no"
    medium.mount()
    assert judged(yard, card)[0] == "no"
    said = offloaded(yard, card)
    assert said.code == 0, said.all
    for drive in (main, travel):
        assert tree(roll_folder(Path(drive.point))) == files
    assert judged(yard, card) == ("yes", set())


@pytest.mark.parametrize(("main_kind", "travel_kind"), [kinds("ext4", "xfs")])
def test_after_a_power_cut_what_was_called_proven_is_there(
    fs: Fs, yard: Yard, main_kind: str, travel_kind: str
) -> None:
    main, travel, card = fs(main_kind, 160), fs(travel_kind, 300), fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    for drive in (main, travel):
        drive.power_cut()
        assert tree(roll_folder(Path(drive.point))) == CARD
    assert typed(yard, "verify").code == 0
    assert judged(yard, card) == ("yes", set())


@pytest.mark.parametrize(
    ("kind", "number"),
    [
        pytest.param("ext4", 1, marks=pytest.mark.real("ext4", "xfs")),
        pytest.param("xfs", 3, marks=pytest.mark.real("ext4", "xfs")),
    ],
)
def test_a_power_cut_half_way_leaves_no_wrong_bytes(
    fs: Fs, yard: Yard, kind: str, number: int
) -> None:
    main, travel = fs(kind, 300), fs("ext4", 300)
    files = {f"DCIM/100BOATY/BOAT{n:04}.MP4": clip(n, 33 * MiB) for n in range(3)}
    card = fill(fs("ext4", 160), files)
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")

    def cut() -> None:
        run("xfs_io", "-x", "-c", "shutdown", main.point)

    with yard.keeper() as keeper:
        outcome = keeper.offload(
            str(card), shoot=SHOOT, source="Wide", roll=None, progress=AtAdvance(number, cut)
        )
    assert {one.place for one in outcome.troubles} == {"Main"}
    main.remount()
    for path, data in tree(Path(main.point)).items():
        if path.endswith(".MP4"):
            assert data == files[path.removeprefix(f"{SHOOT}/Originals/Wide/Roll 01/")]
    assert judged(yard, card)[0] == "no"
    said = offloaded(yard, card)
    assert said.code == 0, said.all
    for drive in (main, travel):
        assert tree(roll_folder(Path(drive.point))) == files
    assert judged(yard, card) == ("yes", set())
