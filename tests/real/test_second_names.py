"""Second names, names that change hands, and places on disk, on real file systems."""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupkeeper.system.files import RealFiles
from tests.real.fuse_with_holes import extents, holey
from tests.real.loopdev import LoopFs, loop_fs, run

FILES = RealFiles()
EVERY = [pytest.param(kind, marks=pytest.mark.real(kind)) for kind in ("ext4", "xfs", "exfat")]
MARK = b"these very bytes, and only here " * 300


def written(path: str, data: bytes) -> str:
    with open(path, "xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    return path


def read(path: str) -> bytes:
    return Path(path).read_bytes()


@contextmanager
def mounted(kind: str, folder: Path) -> Iterator[str]:
    if kind == "holey":
        with holey(str(folder)) as mount:
            yield mount.point
    else:
        with loop_fs(kind) as drive:
            yield drive.point


@pytest.mark.parametrize(
    "kind", [*EVERY[:2], pytest.param("holey", marks=pytest.mark.real("fuse"))]
)
def test_a_second_name_keeps_what_the_first_one_had(kind: str, tmp_path: Path) -> None:
    with mounted(kind, tmp_path) as point:
        one, kept, temp = (f"{point}/{name}" for name in ("one", "kept", "temp"))
        written(one, b"damaged")
        FILES.link(one, kept)
        with pytest.raises(FileExistsError):
            FILES.link(one, kept)
        written(temp, b"whole")
        FILES.rename_over(temp, one)
        assert (read(one), read(kept)) == (b"whole", b"damaged")
        assert FILES.stat(kept).links == 1
        assert sorted(set(os.listdir(point)) - {"lost+found"}) == ["kept", "one"]


@pytest.mark.real("exfat")
def test_where_there_are_no_second_names_it_is_said_and_nothing_is_made() -> None:
    with loop_fs("exfat") as drive:
        one = written(f"{drive.point}/one", b"damaged")
        with pytest.raises(OSError, match=r"Errno") as caught:
            FILES.link(one, f"{drive.point}/kept")
        assert caught.value.errno == errno.EPERM
        assert (os.listdir(drive.point), read(one)) == (["one"], b"damaged")


@pytest.mark.parametrize("kind", EVERY)
def test_a_name_changes_hands_and_whoever_reads_the_old_file_reads_on(
    kind: str, tmp_path: Path
) -> None:
    with mounted(kind, tmp_path) as point:
        one, temp = written(f"{point}/one", b"old" * 999), written(f"{point}/temp", b"new")
        with open(one, "rb", buffering=0) as reader:
            assert reader.read(3) == b"old"
            FILES.rename_over(temp, one)
            assert reader.read(3) == b"old"
        assert (read(one), os.path.exists(temp)) == (b"new", False)


@pytest.mark.parametrize("kind", EVERY[:2])
def test_after_a_power_cut_the_name_is_one_of_both(kind: str) -> None:
    with loop_fs(kind) as drive:
        one, temp = written(f"{drive.point}/one", b"old"), written(f"{drive.point}/temp", b"new")
        FILES.sync_folder(drive.point)
        FILES.rename_over(temp, one)
        drive.power_cut()
        assert read(one) in {b"old", b"new"}
        if not os.path.exists(temp):
            written(temp, b"new")
        FILES.rename_over(temp, one)
        FILES.sync_folder(drive.point)
        drive.power_cut()
        assert (read(one), os.path.exists(temp)) == (b"new", False)


def lies_at(drive: LoopFs, path: str) -> int:
    told = FILES.disk_position(path)
    assert told is not None
    return told


@pytest.mark.parametrize("kind", EVERY[:2])
def test_the_bytes_lie_where_it_is_told(kind: str) -> None:
    with loop_fs(kind) as drive:
        written(f"{drive.point}/before", os.urandom(300_000))
        path = written(f"{drive.point}/one", MARK)
        position = lies_at(drive, path)
        run("sync", "--file-system", drive.point)
        with open(drive.backing, "rb") as image:
            image.seek(position)
            assert image.read(len(MARK)) == MARK
        first = extents(path)[0]
        assert (first[0], first[1]) == (0, position)


@pytest.mark.parametrize("kind", EVERY[:2])
def test_what_lies_nowhere_has_no_place(kind: str) -> None:
    with loop_fs(kind) as drive:
        assert FILES.disk_position(written(f"{drive.point}/empty", b"")) is None
        hole = f"{drive.point}/hole"
        with open(hole, "xb") as file:
            file.truncate(1 << 20)
        assert FILES.disk_position(hole) is None
        os.mkfifo(f"{drive.point}/pipe")
        assert FILES.disk_position(f"{drive.point}/pipe") is None
        with pytest.raises(FileNotFoundError):
            FILES.disk_position(f"{drive.point}/none")


@pytest.mark.real("ext4")
def test_a_file_so_small_that_it_lies_in_its_entry_has_no_place(tmp_path: Path) -> None:
    """ext4 can keep a few bytes in the inode (``inline_data``); they are read all the same."""
    image, point = tmp_path / "image", tmp_path / "point"
    with image.open("xb") as file:
        file.truncate(16 << 20)
    run("mkfs.ext4", "-q", "-F", "-O", "inline_data", "-I", "256", str(image))
    point.mkdir()
    run("mount", "-o", "loop", str(image), str(point))
    try:
        path = written(f"{point}/small", b"x" * 40)
        assert FILES.disk_position(path) is None
        assert FILES.disk_position(written(f"{point}/large", b"x" * 9_000)) is not None
    finally:
        run("umount", str(point))


@pytest.mark.parametrize("kind", [EVERY[2], pytest.param("holey", marks=pytest.mark.real("fuse"))])
def test_through_fuse_nobody_tells_the_place(kind: str, tmp_path: Path) -> None:
    with mounted(kind, tmp_path) as point:
        assert FILES.disk_position(written(f"{point}/one", MARK)) is None


@pytest.mark.real("ext4")
def test_no_rights_are_needed_to_be_told_the_place() -> None:
    with loop_fs("ext4") as drive:
        path = written(f"{drive.point}/one", MARK)
        position = lies_at(drive, path)
        os.chmod(os.path.dirname(drive.point), 0o755)
        os.seteuid(65534)
        try:
            assert FILES.disk_position(path) == position
        finally:
            os.seteuid(0)
