"""Mounts and devices of this very machine: real file systems on loop devices."""

import os
import struct
import uuid
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from backupkeeper.core.errors import DriveGoneError
from backupkeeper.drives.mounts_linux import LinuxMounts
from tests.real.plain_loop import image, loop_of, mounted, run

EVERY = [pytest.param(fs, marks=pytest.mark.real(fs)) for fs in ("ext4", "xfs", "exfat")]
SIZE = {"ext4": 16 << 20, "xfs": 300 << 20, "exfat": 16 << 20}


@contextmanager
def drive(folder: Path, fs: str, name: str = "drive", *, read_only: bool = False) -> Iterator[Path]:
    point = folder / f"{name} point"
    point.mkdir(exist_ok=True)
    with mounted(image(folder / f"{name}.img", fs), fs, point, read_only=read_only):
        yield point


def uuid_in_the_bytes(picture: Path, fs: str) -> str:
    """The file system's UUID from its superblock, by the offsets of the formats' documents.

    ext4: s_uuid at 1024 + 0x68 (kernel documentation); XFS: sb_uuid at 32 (XFS Algorithms & Data
    Structures); exFAT: VolumeSerialNumber at 100, little-endian (Microsoft). From memory.
    """
    with picture.open("rb") as file:
        head = file.read(4096)
    if fs == "exfat":
        (serial,) = struct.unpack_from("<I", head, 100)
        return f"{serial >> 16:04X}-{serial & 0xFFFF:04X}"
    at = 1024 + 0x68 if fs == "ext4" else 32
    return str(uuid.UUID(bytes=head[at : at + 16]))


@pytest.mark.parametrize("fs", EVERY)
def test_a_drive_is_identified_by_what_stands_on_it(tmp_path: Path, fs: str) -> None:
    mounts = LinuxMounts()
    with drive(tmp_path, fs) as point:
        (point / "clip.mov").write_bytes(b"x")
        mount = mounts.under(str(point / "clip.mov"))
        info = mounts.inspect(mount)
        assert mount.point == str(point)
        assert mount.root == "/"
        assert mount.fs_type == ("fuseblk" if fs == "exfat" else fs)
        assert not mount.read_only
        assert mount in mounts.current()
        assert info.fs_uuid == uuid_in_the_bytes(tmp_path / "drive.img", fs)
        assert info.label == "MY CARD"
        assert info.device == f"loop:{tmp_path / 'drive.img'}"
        assert info.block_device == loop_of(point)
        assert info.size_bytes is not None
        assert SIZE[fs] // 4 < info.size_bytes <= SIZE[fs]
        assert isinstance(info.spins, bool)


@pytest.mark.parametrize("fs", EVERY)
def test_a_card_that_is_mounted_read_only_is_seen_to_be(tmp_path: Path, fs: str) -> None:
    with drive(tmp_path, fs, read_only=True) as point:
        assert LinuxMounts().under(str(point)).read_only


@pytest.mark.real("ext4")
def test_two_drives_are_two_devices(tmp_path: Path) -> None:
    mounts = LinuxMounts()
    with drive(tmp_path, "ext4", "one") as one, drive(tmp_path, "ext4", "two") as two:
        first, second = (mounts.inspect(mounts.under(str(point))) for point in (one, two))
        assert first.device != second.device
        assert first.fs_uuid != second.fs_uuid
        assert first.mount.token != second.mount.token


@pytest.mark.real("ext4")
def test_a_clone_carries_the_same_uuid_on_another_device(tmp_path: Path) -> None:
    # A whole copy of a medium copies its UUID too: only the device tells them apart then.
    mounts = LinuxMounts()
    with drive(tmp_path, "ext4", "one") as one:
        first = mounts.inspect(mounts.under(str(one)))
    copy = tmp_path / "copy.img"
    copy.write_bytes((tmp_path / "one.img").read_bytes())
    point = tmp_path / "copy"
    point.mkdir()
    with mounted(copy, "ext4", point):
        second = mounts.inspect(mounts.under(str(point)))
    assert first.fs_uuid == second.fs_uuid
    assert first.device != second.device


@pytest.mark.real("ext4")
def test_an_empty_mount_point_is_another_mount(tmp_path: Path) -> None:
    mounts = LinuxMounts()
    with drive(tmp_path, "ext4") as point:
        there = mounts.under(str(point))
    gone = mounts.under(str(point))
    assert gone.token != there.token
    assert gone.point != str(point)


@pytest.mark.real("ext4")
def test_another_drive_at_the_same_point_is_another_mount(tmp_path: Path) -> None:
    mounts = LinuxMounts()
    pictures = [image(tmp_path / name, "ext4") for name in ("one.img", "two.img")]
    point = tmp_path / "point"
    point.mkdir()
    tokens = []
    for picture in pictures:
        with mounted(picture, "ext4", point):
            tokens.append(mounts.under(str(point)).token)
    assert len(set(tokens)) == 2


@pytest.mark.real("ext4")
def test_the_kernel_decides_where_names_and_links_mislead(tmp_path: Path) -> None:
    mounts = LinuxMounts()
    with drive(tmp_path, "ext4") as point:
        beside = tmp_path / "drive point 2"
        beside.mkdir()
        (tmp_path / "link").symlink_to(point)
        (point / "out").symlink_to(tmp_path)
        inside = mounts.under(str(point))
        assert mounts.under(str(beside)) != inside
        assert mounts.under(str(tmp_path / "link")) == inside
        assert mounts.under(str(point / "out")) != inside


@pytest.mark.real("ext4")
def test_names_with_spaces_line_breaks_and_odd_bytes_are_found(tmp_path: Path) -> None:
    mounts = LinuxMounts()
    picture = image(tmp_path / "a\n\\ b.img", "ext4")
    point = os.fsdecode(os.fsencode(tmp_path) + b"/a \t\n\\040\xff#\x1b[31m")
    os.mkdir(point)
    with mounted(picture, "ext4", Path(point)):
        mount = mounts.under(point)
        assert mount.point == point
        assert mounts.inspect(mount).device == f"loop:{picture}"


@pytest.mark.real("ext4")
def test_a_folder_that_is_bound_elsewhere_says_which_one_it_is(tmp_path: Path) -> None:
    mounts = LinuxMounts()
    with drive(tmp_path, "ext4") as point, ExitStack() as stack:
        (point / "inner").mkdir()
        bound = tmp_path / "bound"
        bound.mkdir()
        run("mount", "--bind", point / "inner", bound)
        stack.callback(run, "umount", bound)
        there, here = mounts.under(str(bound)), mounts.under(str(point))
        assert there.root == "/inner"
        assert there.token != here.token
        assert mounts.inspect(there).device == mounts.inspect(here).device
        assert mounts.inspect(there).fs_uuid == mounts.inspect(here).fs_uuid


@pytest.mark.real("ext4")
def test_a_drive_that_hides_another_at_its_point_is_the_one_that_counts(tmp_path: Path) -> None:
    mounts = LinuxMounts()
    pictures = [image(tmp_path / name, "ext4") for name in ("one.img", "two.img")]
    point = tmp_path / "point"
    point.mkdir()
    with mounted(pictures[0], "ext4", point), mounted(pictures[1], "ext4", point):
        assert mounts.inspect(mounts.under(str(point))).device == f"loop:{pictures[1]}"
        assert [m.point for m in mounts.current()].count(str(point)) == 2


@pytest.mark.real("ext4")
def test_a_path_that_went_with_its_drive_rests_on_nothing(tmp_path: Path) -> None:
    with drive(tmp_path, "ext4") as point:
        (point / "clip.mov").write_bytes(b"x")
    with pytest.raises(DriveGoneError, match="Plug it in again"):
        LinuxMounts().under(str(point / "clip.mov"))
