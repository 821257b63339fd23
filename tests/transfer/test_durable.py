"""How files of our own and folders come into being, and what is refused."""

import errno
import os
from collections.abc import Callable

import pytest

from backupkeeper.core.errors import (
    BackupkeeperError,
    BrokenPromiseError,
    DriveGoneError,
    NameTakenError,
    NoSpaceError,
    ReadBackError,
    ReadOnlyError,
    SyncError,
    WriteError,
)
from backupkeeper.ports.files import Files, Handle
from backupkeeper.system.clock import RealClock
from backupkeeper.system.entropy import RealEntropy
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.durable import (
    TempFile,
    is_temp_name,
    make_folders,
    replace_own,
    temp_name,
    write_small,
)
from tests.transfer.made_up_drives import EIO, Stand, broken, fine

PATH = "/main/place.json"
Deed = Callable[[Files, str, bytes, Callable[[], None]], None]
BOTH = pytest.mark.parametrize("deed", [write_small, replace_own])


@BOTH
def test_a_new_file_is_durable(deed: Deed) -> None:
    stand = Stand()
    deed(stand.files, PATH, b"{}", fine)
    assert stand.on_medium(PATH) == b"{}"
    assert list(stand.seen()) == [PATH]
    assert stand.open_handles == 0


def test_the_same_bytes_again_are_fine_and_others_are_not() -> None:
    stand = Stand()
    stand.put(PATH, b"{}")
    write_small(stand.files, PATH, b"{}", fine)
    assert stand.on_medium(PATH) == b"{}", "what stood there unsynced is durable now"
    for other in (b"[]", b"{} "):
        with pytest.raises(NameTakenError, match=PATH):
            write_small(stand.files, PATH, other, fine)
    assert stand.on_medium(PATH) == b"{}"


def test_our_own_files_can_be_replaced_but_no_folder() -> None:
    stand = Stand()
    stand.put(PATH, b"old")
    replace_own(stand.files, PATH, b"new", fine)
    assert stand.on_medium(PATH) == b"new"
    with pytest.raises(NameTakenError, match="at /main;"):
        replace_own(stand.files, "/main", b"new", fine)


@pytest.mark.parametrize("data", [b"{}", b"another's"])
def test_a_name_taken_meanwhile_is_not_replaced(data: bytes) -> None:
    stand = Stand()

    def take() -> None:
        if PATH not in stand.seen():
            stand.put(PATH, data)

    stand.after["close"] = take
    if data == b"{}":
        write_small(stand.files, PATH, b"{}", fine)
    else:
        with pytest.raises(NameTakenError, match=PATH):
            write_small(stand.files, PATH, b"{}", fine)
    assert stand.seen() == {PATH: data}


@BOTH
@pytest.mark.parametrize(
    ("call", "number", "error"),
    [
        ("create", errno.EROFS, ReadOnlyError),
        ("create", errno.ENODEV, DriveGoneError),
        ("write_at", errno.ENOSPC, NoSpaceError),
        ("write_at", errno.EFBIG, WriteError),
        ("sync", errno.EIO, SyncError),
        ("sync_folder", errno.EIO, SyncError),
        ("read_into", errno.EIO, WriteError),
    ],
)
def test_what_goes_wrong_is_one_of_our_errors(
    deed: Deed, call: str, number: int, error: type[BackupkeeperError]
) -> None:
    stand = Stand()
    stand.fail[call] = ("/main", broken(number))
    with pytest.raises(error, match=PATH):
        deed(stand.files, PATH, b"{}", fine)
    assert stand.open_handles == 0
    assert call == "sync_folder" or PATH not in stand.seen()


@pytest.mark.parametrize("call", ["sync", "sync_folder"])
def test_what_stands_there_already_is_told_where_it_can_not_be_made_durable(call: str) -> None:
    stand = Stand()
    stand.put(PATH, b"{}")
    stand.fail[call] = ("/main", EIO)
    with pytest.raises(SyncError, match=PATH):
        write_small(stand.files, PATH, b"{}", fine)
    assert stand.open_handles == 0


class Short(Stand):
    """A drive that takes three bytes at a time."""

    def write_at(self, handle: Handle, data: memoryview, offset: int) -> int:
        return super().write_at(handle, data[:3], offset)


@BOTH
def test_a_drive_that_takes_less_than_it_is_given_gets_the_rest_too(deed: Deed) -> None:
    stand = Short()
    deed(stand.files, PATH, b"0123456789", fine)
    assert stand.on_medium(PATH) == b"0123456789"


@BOTH
@pytest.mark.parametrize("size", [0, 1, 4_095, 4_096, 4_097, 8_193])
def test_a_small_file_of_any_size_comes_back_whole(deed: Deed, size: int) -> None:
    data = b"x" * size
    stand = Stand()
    for _ in range(2):
        deed(stand.files, PATH, data, fine)
    assert stand.on_medium(PATH) == data
    with pytest.raises(NameTakenError, match=PATH):
        write_small(stand.files, PATH, data + b"y", fine)


def test_a_link_under_the_name_is_another_file_whatever_it_leads_to(tmp_path: object) -> None:
    path = f"{tmp_path}/place.json"
    os.symlink("{}", path)
    with pytest.raises(NameTakenError):
        write_small(RealFiles(), path, b"{}", fine)
    assert os.listdir(str(tmp_path)) == ["place.json"]


@BOTH
def test_a_left_over_that_can_not_be_read_is_written_anew(deed: Deed) -> None:
    stand = Stand()
    stand.put(temp_name(PATH), b"[]")
    stand.fail["read_into"], stand.times["read_into"] = (temp_name(PATH), EIO), 1
    deed(stand.files, PATH, b"{}", fine)
    assert stand.on_medium(PATH) == b"{}"


@BOTH
def test_what_comes_back_wrong_gets_no_name(deed: Deed) -> None:
    stand = Stand()
    stand.after["sync"] = lambda: stand.rot(temp_name(PATH), 0, b"x")
    with pytest.raises(ReadBackError, match=PATH):
        deed(stand.files, PATH, b"{}", fine)
    assert stand.seen() == {}


@BOTH
def test_the_guard_is_asked_before_writing_and_before_naming(deed: Deed) -> None:
    for content_until in range(2):
        asked: list[int] = []

        def guard(asked: list[int] = asked, last: int = content_until) -> None:
            asked.append(1)
            if len(asked) > last:
                raise DriveGoneError("The drive", "/main")

        stand = Stand()
        with pytest.raises(DriveGoneError):
            deed(stand.files, PATH, b"{}", guard)
        assert PATH not in stand.seen()
        assert bool(stand.seen()) is bool(content_until)


def test_a_left_over_is_overwritten_and_a_link_in_its_place_is_not_followed(
    tmp_path: object,
) -> None:
    path, other = f"{tmp_path}/place.json", f"{tmp_path}/other"
    for make in (os.symlink, os.link):
        with open(other, "wb") as file:
            file.write(b"somebody's work")
        make(other, temp_name(path))
        write_small(RealFiles(), path, b"{}", fine)
        with open(other, "rb") as file:
            assert file.read() == b"somebody's work"
        with open(path, "rb") as file:
            assert file.read() == b"{}"
        os.unlink(other)
        os.unlink(path)
    with open(temp_name(path), "wb") as file:
        file.write(b"{} and what an interruption left")
    write_small(RealFiles(), path, b"{}", fine)
    assert os.listdir(str(tmp_path)) == ["place.json"]


def test_only_what_an_interruption_left_is_continued(tmp_path: object) -> None:
    path = f"{tmp_path}/place.json"

    def continued() -> bool:
        temp = TempFile(RealFiles(), path)
        temp.close()
        return temp.continued

    assert [continued(), continued()] == [False, True]
    os.link(temp_name(path), f"{tmp_path}/another name")
    assert [continued(), continued()] == [False, True], (
        "a second name of some file is not gone on with"
    )


def test_folders_are_made_and_synced_with_all_above_them() -> None:
    stand = Stand()
    stand.make_folder("/main/260612 Boatyard")  # by an interrupted run: not synced
    make_folders(stand.files, "/main/", "260612 Boatyard/Originals//Wide/", fine)
    synced = [path for call, path in stand.calls if call == "sync_folder"]
    assert synced == ["/main", "/main/260612 Boatyard", "/main/260612 Boatyard/Originals"]
    make_folders(stand.files, "/main", "", fine)
    make_folders(stand.files, "/", "main", fine)


def test_folders_never_lead_out_of_the_root_nor_through_a_file() -> None:
    stand = Stand()
    for relative in ("../second", "a/../../second", "./a"):
        with pytest.raises(BrokenPromiseError, match=f"{relative} would lead out of /main"):
            make_folders(stand.files, "/main", relative, fine)
    stand.put("/main/a", b"")
    with pytest.raises(NameTakenError, match="at /main/a;"):
        make_folders(stand.files, "/main", "a/b", fine)
    stand.fail["make_folder"] = ("", EIO)
    with pytest.raises(WriteError, match="/main/c"):
        make_folders(stand.files, "/main", "c", fine)


def test_a_folder_that_can_not_be_made_durable_is_told() -> None:
    stand = Stand()
    stand.make_folder("/BOX")
    make_folders(stand.files, "/BOX", "a", fine)
    assert [name for name, _ in stand.list("/BOX")] == ["a"]
    stand.fail["sync_folder"] = ("/main", EIO)
    with pytest.raises(SyncError, match="/main/c"):
        make_folders(stand.files, "/main", "c", fine)


def test_a_link_on_the_way_is_refused(tmp_path: object) -> None:
    os.mkdir(f"{tmp_path}/elsewhere")
    os.symlink("elsewhere", f"{tmp_path}/a")
    with pytest.raises(NameTakenError):
        make_folders(RealFiles(), str(tmp_path), "a/b", fine)
    assert os.listdir(f"{tmp_path}/elsewhere") == []


def test_temporary_names_are_ours_short_and_always_the_same() -> None:
    one = temp_name("/main/" + "x" * 255)
    assert one == temp_name("/main/" + "x" * 255)
    assert temp_name("/main/\udcff") != one
    assert os.path.dirname(one) == "/main"
    assert is_temp_name(os.path.basename(one))
    assert is_temp_name(".backupkeeper-0123456789abcdef.part")
    for name in ("", "C0001.bin", ".backupkeeper-.part"):
        assert not is_temp_name(name)
    for strange in "gXA/.":
        assert not is_temp_name(f".backupkeeper-{strange * 16}.part")


def test_the_real_clock_and_chance() -> None:
    clock = RealClock()
    assert clock.now().utcoffset() is not None
    assert clock.monotonic() <= clock.monotonic()
    assert RealEntropy().new_id() != RealEntropy().new_id()
