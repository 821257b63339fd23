"""The main job on real file systems: cards and drives on loop devices, as a person uses them."""

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from backupkeeper.core.model import PlaceKind
from backupkeeper.system.files import RealFiles
from tests.real.loopdev import LoopFs, loop_fs, run
from tests.stories.typed import DISTINCT, AtAdvance, judged, offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, tree

pytestmark = pytest.mark.slow

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 9_000_001),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "MISC/INDEX.DAT": b"",
}
MiB = 1 << 20
Fs = Callable[..., LoopFs]


@pytest.fixture
def fs() -> Iterator[Fs]:
    """Makes file systems; all gone afterwards."""
    with ExitStack() as stack:

        def make(kind: str, size_mib: int = 160) -> LoopFs:
            return stack.enter_context(loop_fs(kind, size_mib))

        yield make


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return yard_of_today(tmp_path, DISTINCT)


def fill(card: LoopFs, files: dict[str, bytes] = CARD) -> Path:
    point = Path(card.point)
    for path, data in files.items():
        (point / path).parent.mkdir(parents=True, exist_ok=True)
        (point / path).write_bytes(data)
    card.remount()  # nothing of it is cached, as after plugging it in
    return point


def take_in(yard: Yard, drive: LoopFs, role: str, name: str) -> Path:
    said = typed(yard, "place", "add", drive.point, "--role", role, "--name", name)
    assert said.code == 0, said.all
    return Path(drive.point)


def kinds(*names: str) -> object:
    return pytest.param(*names, marks=pytest.mark.real(*sorted(set(names))))


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
    assert found["damage"] == [[4 * MiB, len(data)]]
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
    assert [one.place for one in outcome.troubles] == ["Main"]
    assert tree(roll_folder(Path(travel.point))) == files
    word, codes = judged(yard, card)
    assert word == "no"
    assert codes <= {"no-copy", "missing"}
    main.mount()
    said = offloaded(yard, card)
    assert said.code == 0, said.all
    assert tree(roll_folder(Path(main.point))) == files
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


def free_mib(drive: LoopFs) -> int:
    """What is left on it, and a little less than that."""
    return shutil.disk_usage(drive.point).free // MiB - 1


@pytest.mark.real("ext4")
def test_a_drive_that_fills_up_half_way_loses_nothing(fs: Fs, yard: Yard) -> None:
    main, travel = fs("ext4", 160), fs("ext4", 160)
    files = {f"BOAT{n:04}.MP4": clip(n, 33 * MiB) for n in range(2)}
    card = fill(fs("ext4", 128), files)
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    hog = Path(main.point) / "hog"

    def fill_up() -> None:
        run("dd", "if=/dev/zero", f"of={hog}", "bs=1M", f"count={free_mib(main)}")

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
