"""Cards made to take for ever, to fill drives or to lead astray: each command says so, in bounded time."""

import os
import re
import socket
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from backupkeeper.core.model import Role
from tests.breaking.stories import IS_LONG
from tests.real.loopdev import loop_fs
from tests.stories.typed import Said, judged, offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, tree

TERABYTE: Final = 10**12
MANY: Final = 100_000 if IS_LONG else 1_000
DEEP: Final = 500
LONG: Final = "deep" * 50


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return yard_of_today(tmp_path)


def flat(said: Said) -> str:
    return " ".join(said.all.split())


def sparse(path: Path, size: int) -> None:
    """A file of so many bytes, none of which is there."""
    with path.open("xb") as file:
        file.truncate(size)


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_file_that_claims_ten_terabytes_is_refused_for_want_of_room_unread(yard: Yard) -> None:
    drives = yard.drives()
    card = yard.card("card", {"DCIM/A.MP4": clip(1)})
    sparse(card / "DCIM/HUGE.MP4", 10 * TERABYTE)
    said = offloaded(yard, card)
    assert said.code == 3
    assert re.search(r"Main has [\d,]+ bytes free; 10,000,[\d,]+ are needed", flat(said))
    for drive in drives:
        assert not roll_folder(drive).exists()


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_delivery_that_claims_ten_terabytes_is_told_unread(yard: Yard) -> None:
    """A file grown to what nobody could read today, and one more that no manifest knows."""
    yard.drives()
    card = yard.card("card", {"DCIM/A.MP4": clip(1), "DCIM/B.MP4": clip(2)})
    assert offloaded(yard, card).code == 0
    made = typed(yard, "export", SHOOT, "--to", str(yard.root / "out"), "--format", "mhl")
    assert made.code == 0
    roll = roll_folder(yard.root / "out")
    os.truncate(roll / "DCIM/A.MP4", 10 * TERABYTE)
    sparse(roll / "DCIM/MORE.MP4", 10 * TERABYTE)
    said = typed(yard, "verify", str(roll))
    assert said.code == 1
    for word in ("A.MP4", "not as listed", "MORE.MP4", "unknown"):
        assert word in flat(said)
    said = typed(yard, "import", str(roll), "--shoot", "260613 Boatyard", "--source", "Drone")
    assert said.code in {1, 3}
    assert not (yard.root / "Main/260613 Boatyard").exists()


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_very_many_small_files_in_one_folder(yard: Yard) -> None:
    drives = yard.drives()
    card = yard.root / "card"
    (card / "DCIM").mkdir(parents=True)
    for number in range(MANY):
        (card / f"DCIM/{number:06}.XML").write_bytes(b"%d" % number)
    assert offloaded(yard, card).code == 0
    for drive in drives:
        assert sum(1 for _ in os.scandir(roll_folder(drive) / "DCIM")) == MANY
    assert judged(yard, card) == ("yes", set())


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_folders_in_folders(yard: Yard) -> None:
    """As deep as a path can be opened; and deeper, where it can only be walked step by step."""
    drives = yard.drives()
    path = "/".join(["d"] * DEEP) + "/A.MP4"
    card = yard.card("card", {path: clip(1)})
    assert offloaded(yard, card).code == 0
    for drive in drives:
        assert tree(roll_folder(drive)) == {path: clip(1)}
    assert judged(yard, card) == ("yes", set())
    handle = os.open(card, os.O_RDONLY)
    for _ in range(30):
        os.mkdir(LONG, dir_fd=handle)
        below = os.open(LONG, os.O_RDONLY, dir_fd=handle)
        os.close(handle)
        handle = below
    os.close(handle)
    said = offloaded(yard, card)
    assert said.code == 1
    assert "deep" in flat(said)
    assert judged(yard, card) == ("no", {"card-unreadable"})


@pytest.mark.slow
def test_everything_at_once_that_is_no_file(yard: Yard) -> None:
    """Links in rings, links to devices, pipes, sockets: none is opened, each is named, and it is a no."""
    main, travel = yard.drives()
    card = yard.card("card", {"DCIM/A.MP4": clip(1)})
    (card / "ring").symlink_to("ring2")
    (card / "ring2").symlink_to("ring")
    (card / "above").symlink_to("..")
    (card / "DCIM/whole").symlink_to(card)
    (card / "zero").symlink_to("/dev/zero")
    (card / "passwords").symlink_to("/etc/shadow")
    os.mkfifo(card / "pipe")
    with socket.socket(socket.AF_UNIX) as server:
        here = os.getcwd()
        os.chdir(card)
        server.bind("socket")
        os.chdir(here)
    if os.geteuid() == 0:
        os.mknod(card / "null", stat.S_IFCHR | 0o600, os.makedev(1, 5))
    said = offloaded(yard, card)
    assert said.code == 1
    for name in ("ring", "ring2", "above", "whole", "zero", "passwords", "pipe", "socket"):
        assert name in flat(said)
    for drive in (main, travel):
        assert tree(roll_folder(drive)) == {"DCIM/A.MP4": clip(1)}
    assert judged(yard, card) == ("no", {"not-a-file"})


NAMES: Final = {
    "cafe\u0301.MP4": clip(1),
    "caf\u00e9.MP4": clip(2),
    "A.MP4": clip(3),
    "a.mp4": clip(4),
    "\u00c5.MP4": clip(5),
    "A\u030a.MP4": clip(6),
    "\u212b.MP4": clip(7),
    "x" * 251 + ".MP4": clip(8),
    "\u00e9" * 125 + ".XML": clip(9),
    "CON.MP4": clip(10),
    "AUX": clip(11),
    "a:b.MP4": clip(12),
    "ends with a dot.": clip(13),
    "bytes\udcff.MP4": clip(14),
    "new\nline.MP4": clip(15),
}


@pytest.fixture
def exfat(tmp_path: Path) -> Iterator[Path]:
    with loop_fs("exfat", 256) as drive:
        yield Path(drive.point)


@pytest.mark.slow
@pytest.mark.real("exfat")
def test_names_that_a_drive_can_not_tell_apart_all_arrive(yard: Yard, exfat: Path) -> None:
    main = yard.drive("Main", Role.PRIMARY)
    with yard.keeper() as keeper:
        keeper.add_drive(str(exfat), role=Role.SECONDARY, name="Travel", folder=False)
    card = yard.card("card", NAMES)
    assert offloaded(yard, card).code == 0
    assert tree(roll_folder(main)) == NAMES
    assert sorted(tree(roll_folder(exfat)).values()) == sorted(NAMES.values())
    assert judged(yard, card) == ("yes", set())
    said = typed(yard, "verify")
    assert said.code == 0, said.all
    to = yard.root / "to"
    said = typed(yard, "restore", SHOOT, "--to", str(to), "--from", "Travel", "--yes")
    assert said.code == 0, said.all
    assert tree(roll_folder(to)) == NAMES
