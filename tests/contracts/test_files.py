"""One suite for ``ports.files.Files``: the real one and the made-up disk must answer alike."""

import ctypes
import errno
import mmap
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest

from backupkeeper.ports.files import EntryKind, Files
from backupkeeper.system import files as module
from backupkeeper.system.files import RealFiles
from tests.world.disk import Disk


@dataclass(frozen=True, kw_only=True, slots=True)
class World:
    files: Files
    root: str

    def write(self, name: str, data: bytes) -> str:
        path = f"{self.root}/{name}"
        handle = self.files.create(path)
        assert self.files.write_at(handle, memoryview(data), 0) == len(data)
        self.files.close(handle)
        return path

    def read(self, path: str, *, direct: bool = False) -> bytes:
        handle = self.files.open_read(path, direct=direct)
        try:
            buffer = memoryview(mmap.mmap(-1, 1 << 16))
            return bytes(buffer[: self.files.read_into(handle, buffer, 0)])
        finally:
            self.files.close(handle)


@pytest.fixture(params=["real", "model"])
def world(request: pytest.FixtureRequest, tmp_path: object) -> Iterator[World]:
    if request.param == "real":
        yield World(files=RealFiles(), root=str(tmp_path))
        return
    disk = Disk()
    disk.make_folder("/drive")
    yield World(files=disk, root="/drive")
    assert disk.open_handles == 0


def fails(number: int, call: Callable[..., object], *args: object, **named: object) -> None:
    with pytest.raises(OSError) as caught:  # noqa: PT011 - the number is what counts
        call(*args, **named)
    assert caught.value.errno == number


def test_what_was_written_is_read(world: World) -> None:
    path = world.write("C0001.bin", b"moored" * 1000)
    assert world.read(path) == b"moored" * 1000
    assert world.read(path, direct=True) == b"moored" * 1000


def test_a_hole_reads_as_zeros_and_reading_past_the_end_gives_nothing(world: World) -> None:
    path = world.write("hole", b"")
    handle = world.files.open_write(path)
    assert world.files.write_at(handle, memoryview(b"end"), 10_000) == 3
    buffer = memoryview(bytearray(20_000))
    assert world.files.read_into(handle, buffer, 0) == 10_003
    assert bytes(buffer[:10_003]) == bytes(10_000) + b"end"
    assert world.files.read_into(handle, buffer, 10_003) == 0
    assert world.files.read_into(handle, buffer, 50_000) == 0
    world.files.close(handle)


def test_cutting_and_extending(world: World) -> None:
    path = world.write("cut", b"x" * 9000)
    handle = world.files.open_write(path)
    world.files.truncate(handle, 5000)
    world.files.truncate(handle, 7000)
    assert world.files.stat_handle(handle).size == 7000
    world.files.close(handle)
    assert world.read(path) == b"x" * 5000 + bytes(2000)


def test_reserving_gives_the_size_and_keeps_the_bytes(world: World) -> None:
    path = world.write("room", b"kept")
    handle = world.files.open_write(path)
    world.files.reserve(handle, 9000)
    world.files.reserve(handle, 100)
    fails(errno.EINVAL, world.files.reserve, handle, 0)
    world.files.close(handle)
    assert world.read(path) == b"kept" + bytes(8996)


def test_a_name_that_is_taken_is_not_created(world: World) -> None:
    path = world.write("taken", b"first")
    fails(errno.EEXIST, world.files.create, path)
    world.files.make_folder(f"{world.root}/folder")
    fails(errno.EEXIST, world.files.make_folder, f"{world.root}/folder")
    fails(errno.EEXIST, world.files.create, f"{world.root}/folder")
    assert world.read(path) == b"first"


def test_renaming_never_replaces(world: World) -> None:
    one, other = world.write("one", b"1"), world.write("other", b"2")
    fails(errno.EEXIST, world.files.rename_new, one, other)
    fails(errno.ENOENT, world.files.rename_new, f"{world.root}/none", f"{world.root}/new")
    world.files.rename_new(one, f"{world.root}/new")
    fails(errno.ENOENT, world.files.stat, one)
    assert world.read(f"{world.root}/new") == b"1"
    assert world.read(other) == b"2"


def test_renaming_over_replaces(world: World) -> None:
    one, other = world.write("one", b"1"), world.write("other", b"2")
    world.files.rename_over(one, other)
    assert world.read(other) == b"1"
    assert [name for name, _ in world.files.list(world.root)] == ["other"]


def test_a_second_name_is_the_same_file_and_stays_when_the_first_is_taken(world: World) -> None:
    one = world.write("one", b"old")
    kept = f"{world.root}/kept"
    world.files.link(one, kept)
    assert [world.files.stat(path).links for path in (one, kept)] == [2, 2]
    assert world.files.stat(one).inode == world.files.stat(kept).inode
    temp = world.write("temp", b"new")
    world.files.rename_over(temp, one)
    assert (world.read(one), world.read(kept)) == (b"new", b"old")
    assert world.files.stat(kept).links == 1
    world.files.unlink(one)
    assert [name for name, _ in world.files.list(world.root)] == ["kept"]


def test_a_second_name_replaces_nothing_and_is_for_files_that_are_there(world: World) -> None:
    one, other = world.write("one", b"1"), world.write("other", b"2")
    folder = f"{world.root}/folder"
    world.files.make_folder(folder)
    fails(errno.EEXIST, world.files.link, one, other)
    fails(errno.EEXIST, world.files.link, one, one)
    fails(errno.EEXIST, world.files.link, one, folder)
    fails(errno.ENOENT, world.files.link, f"{world.root}/none", f"{world.root}/new")
    fails(errno.ENOENT, world.files.link, one, f"{world.root}/none/new")
    fails(errno.EPERM, world.files.link, folder, f"{world.root}/new")
    assert (world.read(one), world.read(other)) == (b"1", b"2")


def test_renaming_over_another_name_of_the_same_file_does_nothing(world: World) -> None:
    """POSIX, rename: both names stay. Whoever means to take one away unlinks it."""
    one = world.write("one", b"1")
    world.files.link(one, f"{world.root}/other")
    world.files.rename_over(one, f"{world.root}/other")
    assert {name for name, _ in world.files.list(world.root)} == {"one", "other"}


def test_renaming_over_a_folder_is_refused(world: World) -> None:
    one = world.write("one", b"1")
    world.files.make_folder(f"{world.root}/folder")
    fails(errno.EISDIR, world.files.rename_over, one, f"{world.root}/folder")
    assert world.read(one) == b"1"


def test_where_a_file_lies_is_told_once_it_lies_there(world: World) -> None:
    empty = world.write("empty", b"")
    assert world.files.disk_position(empty) is None
    path = world.write("file", b"x" * 9_000)
    handle = world.files.open_read(path)
    world.files.sync(handle)
    world.files.close(handle)
    position = world.files.disk_position(path)
    assert position is None or (position > 0 and position % 512 == 0)
    fails(errno.ENOENT, world.files.disk_position, f"{world.root}/none")


def test_a_file_can_go_into_another_folder(world: World) -> None:
    world.files.make_folder(f"{world.root}/folder")
    path = world.write("one", b"1")
    world.files.rename_new(path, f"{world.root}/folder/one")
    assert dict(world.files.list(world.root)) == {"folder": EntryKind.FOLDER}
    assert dict(world.files.list(f"{world.root}/folder")) == {"one": EntryKind.FILE}


def test_what_is_not_there_is_said(world: World) -> None:
    missing = f"{world.root}/none"
    for call in (
        world.files.open_read,
        world.files.open_write,
        world.files.stat,
        world.files.unlink,
        world.files.sync_folder,
        world.files.sync_tree,
        world.files.free_bytes,
        lambda path: list(world.files.list(path)),
        lambda path: world.files.create(f"{path}/below"),
        lambda path: world.files.set_times(path, 0),
    ):
        fails(errno.ENOENT, call, missing)


def test_a_file_is_no_folder_and_a_folder_no_file(world: World) -> None:
    path = world.write("file", b"")
    folder = f"{world.root}/folder"
    world.files.make_folder(folder)
    fails(errno.ENOTDIR, world.files.create, f"{path}/below")
    fails(errno.ENOTDIR, world.files.sync_folder, path)
    fails(errno.ENOTDIR, lambda: list(world.files.list(path)))
    fails(errno.EISDIR, world.files.open_write, folder)
    fails(errno.EISDIR, world.files.unlink, folder)
    handle = world.files.open_read(folder)
    assert world.files.stat_handle(handle).kind is EntryKind.FOLDER
    fails(errno.EISDIR, world.files.read_into, handle, memoryview(bytearray(9)), 0)
    world.files.close(handle)


def test_handles_keep_to_what_they_were_opened_for(world: World) -> None:
    path = world.write("file", b"bytes")
    handle = world.files.open_read(path)
    fails(errno.EBADF, world.files.write_at, handle, memoryview(b"x"), 0)
    world.files.close(handle)
    fails(errno.EBADF, world.files.close, handle)
    fails(errno.EBADF, world.files.stat_handle, handle)


def test_times_are_kept_and_writing_changes_them(world: World) -> None:
    path = world.write("file", b"bytes")
    world.files.set_times(path, 1_600_000_000_123_456_789)
    assert world.files.stat(path).mtime_ns == 1_600_000_000_123_456_789
    handle = world.files.open_write(path)
    world.files.write_at(handle, memoryview(b"B"), 0)
    world.files.close(handle)
    assert world.files.stat(path).mtime_ns != 1_600_000_000_123_456_789


def test_a_stat_tells_files_apart(world: World) -> None:
    one, other = (world.files.stat(world.write(name, b"12")) for name in ("one", "other"))
    assert (one.kind, one.size, one.links) == (EntryKind.FILE, 2, 1)
    assert one.device == other.device
    assert one.inode != other.inode


def test_a_file_that_lost_its_name_can_still_be_read(world: World) -> None:
    path = world.write("file", b"bytes")
    handle = world.files.open_read(path)
    world.files.unlink(path)
    buffer = memoryview(bytearray(9))
    assert world.files.read_into(handle, buffer, 0) == 5
    world.files.close(handle)


def test_synced_pages_can_be_dropped_and_are_loaded_again(world: World) -> None:
    path = world.write("file", b"x" * 4096 * 4)
    handle = world.files.open_write(path)
    world.files.sync(handle)
    world.files.drop_pages(handle)
    assert world.files.pages_in_memory(handle, 4096 * 4) == 0
    assert world.read(path) == b"x" * 4096 * 4
    assert world.files.pages_in_memory(handle, 4096 * 4) == 4
    world.files.close(handle)


def test_syncing_and_free_room(world: World) -> None:
    world.write("file", b"x" * 100)
    world.files.sync_folder(world.root)
    world.files.sync_tree(world.root)
    assert world.files.free_bytes(world.root) > 1000


def test_a_device_that_is_not_there_can_not_be_dropped(world: World) -> None:
    fails(errno.ENOENT, world.files.drop_device_pages, "/dev/no-such-device")


class TestOnlyReal:
    """What the made-up disk has not: links, pipes, sockets, odd bytes."""

    def test_links_are_refused(self, tmp_path: object) -> None:
        files = RealFiles()
        target, link = f"{tmp_path}/target", f"{tmp_path}/link"
        files.close(files.create(target))
        os.symlink(target, link)
        fails(errno.ELOOP, files.open_read, link)
        fails(errno.ELOOP, files.open_write, link)
        fails(errno.EEXIST, files.create, link)
        assert files.stat(link).kind is EntryKind.LINK
        fails(errno.ELOOP, files.disk_position, link)
        files.link(link, f"{tmp_path}/second")
        assert files.stat(f"{tmp_path}/second").kind is EntryKind.LINK
        files.set_times(link, 1_000_000_000)
        assert files.stat(target).mtime_ns != 1_000_000_000

    def test_a_pipe_does_not_block(self, tmp_path: object) -> None:
        files = RealFiles()
        os.mkfifo(f"{tmp_path}/pipe")
        handle = files.open_read(f"{tmp_path}/pipe")
        assert files.stat_handle(handle).kind is EntryKind.FIFO
        files.close(handle)

    def test_kinds_and_odd_names_are_listed(self, tmp_path: object) -> None:
        files = RealFiles()
        odd = os.fsdecode(b"\xff\n\x1b[31m")
        files.close(files.create(f"{tmp_path}/{odd}"))
        os.mkfifo(f"{tmp_path}/pipe")
        os.symlink("nowhere", f"{tmp_path}/link")
        os.mkdir(f"{tmp_path}/folder")
        assert dict(files.list(str(tmp_path))) == {
            odd: EntryKind.FILE,
            "pipe": EntryKind.FIFO,
            "link": EntryKind.LINK,
            "folder": EntryKind.FOLDER,
        }

    def test_where_renaming_can_not_refuse_a_link_does(
        self, tmp_path: object, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def no_such_call(*_: object) -> int:
            ctypes.set_errno(errno.EINVAL)
            return -1

        monkeypatch.setattr(module._LIBC, "renameat2", no_such_call)
        files = RealFiles()
        files.close(files.create(f"{tmp_path}/old"))
        files.close(files.create(f"{tmp_path}/taken"))
        fails(errno.EEXIST, files.rename_new, f"{tmp_path}/old", f"{tmp_path}/taken")
        files.rename_new(f"{tmp_path}/old", f"{tmp_path}/new")
        assert sorted(os.listdir(str(tmp_path))) == ["new", "taken"]
