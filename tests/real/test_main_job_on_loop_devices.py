"""The main job on real file systems: cards and drives on loop devices, as a person uses them."""

import os
from pathlib import Path

import pytest

from backupkeeper.core.model import PlaceKind
from backupkeeper.system.files import RealFiles
from tests.real.loopdev import LoopFs, run
from tests.real.main_job_parts import CARD, Fs, MiB, fill, kinds, take_in
from tests.stories.typed import judged, offloaded, typed
from tests.stories.yard import Yard, clip, roll_folder, tree

pytest_plugins = ["tests.real.main_job_fixtures"]
pytestmark = pytest.mark.slow


@pytest.mark.parametrize(
    ("card_kind", "main_kind", "travel_kind"),
    [
        kinds("exfat", "ext4", "xfs"),
        kinds("ext4", "exfat", "ext4"),
        kinds("xfs", "exfat", "exfat"),
    ],
)
def test_the_whole_job(
    fs: Fs, yard: Yard, card_kind: str, main_kind: str, travel_kind: str
) -> None:
    main, travel = fs(main_kind, 160), fs(travel_kind, 160)
    card = fill(fs(card_kind, 32))
    (Path(main.point) / "mine.txt").write_text("was there before")
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert judged(yard, card) == ("no", {"never-offloaded"})
    said = offloaded(yard, card)
    assert said.code == 0, said.all
    for drive in (main, travel):
        drive.remount()
        assert tree(roll_folder(Path(drive.point))) == CARD
        for path in CARD:
            there = (roll_folder(Path(drive.point)) / path).stat().st_mtime_ns
            # exFAT keeps 10 ms, or 2 s, and a zone (STANDARDS section 8.4).
            assert abs(there - (card / path).stat().st_mtime_ns) < 2_000_000_000
    assert judged(yard, card) == ("yes", set())
    verified = typed(yard, "verify", "--json")
    assert verified.code == 0, verified.all
    assert judged(yard, card) == ("yes", set())
    again = offloaded(yard, card, "--json")
    assert (again.code, again.json["new_files"]) == (0, 0)
    with yard.keeper() as keeper:
        for report in keeper.places():
            assert report.place.kind is PlaceKind.DRIVE
            assert report.place.fs_uuid
            assert report.note == ""
    assert (Path(main.point) / "mine.txt").read_text() == "was there before"
    assert typed(yard, "gaps").code == 1  # the cloud is a role of the default policy


@pytest.mark.real("ext4", "exfat", "xfs")
def test_mirror_brings_a_roll_from_a_real_drive_to_another(fs: Fs, yard: Yard) -> None:
    main, travel, card = fs("ext4", 160), fs("exfat", 160), fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    assert offloaded(yard, card).code == 0
    assert judged(yard, card) == ("no", {"no-copy"})
    take_in(yard, travel, "secondary", "Travel")
    assert typed(yard, "mirror").code == 0
    assert tree(roll_folder(Path(travel.point))) == CARD
    assert judged(yard, card) == ("yes", set())


@pytest.mark.parametrize("kind", [kinds("ext4"), kinds("xfs"), kinds("exfat")])
def test_bytes_changed_on_the_medium_behind_every_cache_are_seen(
    fs: Fs, yard: Yard, kind: str
) -> None:
    mark = b"behind the page cache: " + bytes(range(200))
    data = clip(3, 5 * MiB) + mark + clip(4, 100_000)
    main, travel = fs(kind, 160), fs("ext4", 160)
    card = fill(fs("ext4", 32), {**CARD, "DCIM/100BOATY/BOAT0003.MP4": data})
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    copy = roll_folder(Path(main.point)) / "DCIM/100BOATY/BOAT0003.MP4"
    assert copy.read_bytes() == data  # it is in the page cache now, and stays as it was there
    main.spoil(mark, mark[:-1] + b"!")
    said = typed(yard, "verify", "Main", "--json")
    assert said.code == 1
    (found,) = said.json["findings"]
    assert found["finding"] == "damaged"
    at = data.index(mark) + len(mark) - 1
    assert found["damage"] == [[at, at + 1]]
    assert judged(yard, card) == ("no", {"damaged"})


@pytest.mark.real("ext4")
def test_a_drive_mounted_elsewhere_is_found_and_its_old_folder_left_alone(
    fs: Fs, yard: Yard, tmp_path: Path
) -> None:
    main, travel, card = fs("ext4", 160), fs("ext4", 160), fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    old = Path(main.point)
    main.unmount()
    main.point = str(tmp_path / "elsewhere")
    os.mkdir(main.point)
    main.mount()
    assert offloaded(yard, card).code == 0
    assert list(old.iterdir()) == []
    assert tree(roll_folder(Path(main.point))) == CARD
    assert typed(yard, "verify", "Main").code == 0
    assert judged(yard, card) == ("yes", set())


def cloned(drive: LoopFs, copy: LoopFs) -> None:
    """Every byte of the drive onto the other one: ``dd`` of the whole device."""
    copy.unmount()
    drive.unmount()
    run("dd", f"if={drive.backing}", f"of={copy.backing}", "bs=4M", "conv=notrunc")
    drive.mount()


@pytest.mark.parametrize("kind", [kinds("ext4"), kinds("xfs")])
def test_a_clone_with_a_uuid_of_its_own_is_refused(fs: Fs, yard: Yard, kind: str) -> None:
    main, travel, clone = fs(kind, 300), fs("ext4", 160), fs(kind, 300)
    card = fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    cloned(main, clone)
    if kind == "ext4":
        run("e2fsck", "-fp", clone.device)
        run("tune2fs", "-U", "random", clone.device)
    else:
        run("xfs_admin", "-U", "generate", clone.device)
    clone.mount()
    for role, name in [("secondary", "Second"), ("primary", "Main")]:
        said = typed(yard, "place", "add", clone.point, "--role", role, "--name", name)
        assert (said.code, "clone" in said.err) == (2, True)
    main.unmount()  # alone it is not taken for its model either
    before = tree(Path(clone.point))
    assert typed(yard, "verify", "Main").code == 3
    offloaded(yard, card)
    assert tree(Path(clone.point)) == before
    said = typed(yard, "place", "list")
    assert "clone" in said.out


@pytest.mark.parametrize("kind", [kinds("ext4"), kinds("xfs"), kinds("exfat")])
def test_a_clone_with_the_same_uuid_beside_its_model_is_refused(
    fs: Fs, yard: Yard, kind: str
) -> None:
    main, clone = fs(kind, 300), fs(kind, 300)
    card = fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    assert offloaded(yard, card).code == 0
    cloned(main, clone)
    clone.mount(options="rw,nouuid" if kind == "xfs" else "rw")
    for role, name in [("secondary", "Second"), ("primary", "Main")]:
        said = typed(yard, "place", "add", clone.point, "--role", role, "--name", name)
        assert said.code == 2, said.all
    before = tree(Path(clone.point)), tree(Path(main.point))
    said = offloaded(yard, card)  # which is which can't be known, so neither is used
    assert (said.code, "twice" in said.err) == (3, True)
    assert (tree(Path(clone.point)), tree(Path(main.point))) == before
    clone.unmount()
    assert typed(yard, "verify", "Main").code == 0


@pytest.mark.parametrize("kind", [kinds("ext4"), kinds("xfs"), kinds("exfat")])
def test_a_new_name_is_given_on_every_file_system_and_never_taken_from_another(
    fs: Fs, kind: str
) -> None:
    drive = Path(fs(kind, 32).point)
    files = RealFiles()
    (drive / "temporary").write_bytes(b"mine")
    (drive / "taken").write_bytes(b"theirs")
    with pytest.raises(FileExistsError):
        files.rename_new(str(drive / "temporary"), str(drive / "taken"))
    files.rename_new(str(drive / "temporary"), str(drive / "free"))
    assert tree(drive) == {"free": b"mine", "taken": b"theirs"}


@pytest.mark.real("ext4")
def test_two_partitions_worth_of_one_disk_count_as_one(fs: Fs, yard: Yard) -> None:
    # Two folders of one loop device: one physical device for the policy.
    disk, card = fs("ext4", 300), fill(fs("ext4", 32))
    for role, name in [("primary", "Main"), ("secondary", "Travel")]:
        (Path(disk.point) / name).mkdir()
        words = ["--role", role, "--name", name, "--folder"]
        assert typed(yard, "place", "add", f"{disk.point}/{name}", *words).code == 0
    assert offloaded(yard, card).code == 0
    assert judged(yard, card) == ("no", {"same-device"})


@pytest.mark.real("ext4")
def test_a_drive_that_is_the_cards_own_device_does_not_count(fs: Fs, yard: Yard) -> None:
    disk, travel = fs("ext4", 300), fs("ext4", 160)
    (Path(disk.point) / "Main").mkdir()
    card = Path(disk.point) / "card"
    card.mkdir()
    (card / "BOAT0001.MP4").write_bytes(clip(1))
    words = ["--role", "primary", "--name", "Main", "--folder"]
    assert typed(yard, "place", "add", f"{disk.point}/Main", *words).code == 0
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    assert judged(yard, card) == ("no", {"same-device"})


@pytest.mark.real("exfat", "ext4")
def test_names_that_exfat_can_not_hold_come_over_and_back(fs: Fs, yard: Yard) -> None:
    names = ["clip.mov", "CLIP.MOV", "a:b.mov", "new\nline.mov", "\x1b[31mred.mov", "end. "]
    names += ["bytes\udcff.mov", "x" * 255, "é.mov", "é.mov", "CON", "Clip.Mov"]
    files = {name: clip(n, 5_000) for n, name in enumerate(names)}
    main, travel, card = fs("exfat", 160), fs("ext4", 160), fill(fs("ext4", 32), files)
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    said = offloaded(yard, card, "--json")
    assert said.json["troubles"] == []
    assert judged(yard, card) == ("yes", set())
    assert sorted(tree(roll_folder(Path(main.point))).values()) == sorted(files.values())
    assert tree(roll_folder(Path(travel.point))) == files
    assert typed(yard, "verify").code == 0
    again = offloaded(yard, card, "--json")
    assert (again.code, again.json["new_files"]) == (0, 0)
