"""What the pipeline makes of good and bad days: see the promises in its docstring."""

import errno
import gc
from dataclasses import replace

import pytest

from backupkeeper.core.errors import (
    BackupkeeperError,
    DriveGoneError,
    MismatchError,
    MountChangedError,
    NoSpaceError,
    OutOfReachError,
    ReadBackError,
    ReadError,
    ReadOnlyError,
    SourceChangedError,
    SyncError,
    SystemShortError,
    UsageError,
    WriteError,
)
from backupkeeper.ports.progress import Quiet
from backupkeeper.transfer import batches
from backupkeeper.transfer.coldpolicy import cold_policy
from backupkeeper.transfer.durable import temp_name
from backupkeeper.transfer.hashing import Hasher
from backupkeeper.transfer.pipeline import Copied, Landed, copy_files
from backupkeeper.transfer.ring import Slot
from tests.transfer.made_up_drives import (
    EIO,
    ENOSPC,
    MAIN,
    SECOND,
    Stand,
    broken,
    copy,
    drives,
    some,
)

pytestmark = pytest.mark.usefixtures("sizes")
"""Everything holds for files in batches and for files on their own."""

DATA = some(1, 9_000)


def landed(copied: Copied) -> set[str]:
    return {str(place) for place, what in copied.places.items() if isinstance(what, Landed)}


def on_drives(stand: Stand) -> dict[str, bytes]:
    return {path: data for path, data in stand.seen().items() if not path.startswith("/card")}


def test_files_land_everywhere_in_order_with_their_times() -> None:
    stand = Stand()
    jobs = [stand.job(f"C{n:04}.bin", some(n, size)) for n, size in enumerate((0, 1, 5_000, 4096))]
    done = copy(stand, jobs)
    assert [copied.job for copied in done] == jobs
    for number, copied in enumerate(done):
        assert landed(copied) == {"main", "second"}
        assert copied.content is not None
        hasher = Hasher()
        hasher.update(stand.seen()[copied.job.source])
        assert copied.content == hasher.content(), number
        for target in copied.job.targets.values():
            assert stand.on_medium(target) == stand.seen()[copied.job.source]
            assert stand.stat(target).mtime_ns == copied.job.mtime_ns
    assert len(on_drives(stand)) == 8


def test_a_file_of_many_buffers_goes_through() -> None:
    stand = Stand()
    data = some(3, (9 << 20) + 77)
    (copied,) = copy(stand, [stand.job("long.bin", data)])
    assert landed(copied) == {"main", "second"}
    assert stand.on_medium("/main/Roll 01/long.bin") == data


def test_without_targets_sources_are_only_hashed() -> None:
    stand = Stand()
    stand.put("/card/C0001.bin", DATA)
    mtime = stand.stat("/card/C0001.bin").mtime_ns
    job = batches.Job(source="/card/C0001.bin", size=len(DATA), mtime_ns=mtime, targets={})
    for to in ([], drives()):
        (copied,) = copy(stand, [job], to)
        assert copied.content is not None
        assert copied.places == {}
    assert on_drives(stand) == {}


def test_buffers_are_let_go_with_the_work_and_not_when_the_collector_comes() -> None:
    """Taking in 100,000 files, a few hundred at a time, had kept 500 MB of them."""
    stand = Stand()
    jobs = [stand.job(name, DATA) for name in ("one", "two")]
    gc.collect()
    before = slots()  # kept alive by whatever ran in this process earlier, or still runs
    known = {id(one) for one in before}
    gc.disable()
    try:
        for to in ([], drives()):
            copy(stand, [replace(job, targets=job.targets if to else {}) for job in jobs], to)
        left = [one for one in slots() if id(one) not in known]
    finally:
        gc.enable()
    assert left == []


def slots() -> list[Slot]:
    return [one for one in gc.get_objects() if isinstance(one, Slot)]


def test_progress_hears_every_byte_and_file() -> None:
    told: list[tuple[int, int]] = []

    class Listener(Quiet):
        def advance(self, byte_count: int, *, files: int = 0) -> None:
            told.append((byte_count, files))

    stand = Stand()
    copy(stand, [stand.job("one", DATA), stand.job("two", DATA)], progress=Listener())
    assert (sum(one for one, _ in told), sum(files for _, files in told)) == (18_000, 2)


def test_bytes_other_than_expected_are_not_sealed() -> None:
    stand = Stand()
    hasher = Hasher()
    hasher.update(b"what was recorded")
    (copied,) = copy(stand, [stand.job("C0001.bin", DATA, expect=hasher.content())])
    assert copied.content is not None
    assert copied.content.size == 9_000
    assert all(isinstance(what, MismatchError) for what in copied.places.values())
    assert on_drives(stand) == {}


@pytest.mark.parametrize("growth", [b"more", b""])
def test_a_source_that_changes_while_it_is_read_is_not_sealed(growth: bytes) -> None:
    stand = Stand()
    job = stand.job("C0001.bin", DATA)

    def change() -> None:
        if stand.calls[-1][1] == job.source:
            handle = stand.open_write(job.source)
            stand.write_at(handle, memoryview(growth), len(DATA))
            stand.close(handle)

    stand.after["read_into"] = change
    (copied,) = copy(stand, [job])
    assert isinstance(copied.source_error, SourceChangedError)
    assert copied.content is None
    assert landed(copied) == set()
    assert on_drives(stand) == {}


def test_a_source_that_is_not_as_listed_is_not_sealed() -> None:
    stand = Stand()
    jobs = [stand.job("one", DATA), stand.job("two", DATA), stand.job("three", DATA)]
    stand.put("/card/four", b"grown")
    handle = stand.open_write("/card/one")
    stand.truncate(handle, 17)
    stand.close(handle)
    stand.set_times("/card/two", jobs[1].mtime_ns + 100 * 10**9)
    one, two, three = copy(stand, jobs)
    assert isinstance(one.source_error, SourceChangedError)
    assert isinstance(two.source_error, SourceChangedError)
    assert landed(three) == {"main", "second"}


@pytest.mark.parametrize(
    ("call", "number"), [("open_read", errno.EACCES), ("read_into", errno.EIO)]
)
def test_an_unreadable_source_does_not_stop_the_others(call: str, number: int) -> None:
    stand = Stand()
    jobs = [stand.job(name, DATA) for name in ("one", "two", "three")]
    stand.fail[call] = ("/card/two", broken(number))
    one, two, three = copy(stand, jobs)
    assert isinstance(two.source_error, ReadError)
    assert two.source_error.number == number
    assert landed(one) == landed(three) == {"main", "second"}
    assert len(on_drives(stand)) == 4


@pytest.mark.parametrize("number", [errno.ENODEV, errno.EIO, errno.ENOENT])
def test_when_the_card_is_gone_the_rest_is_not_tried(number: int) -> None:
    stand = Stand()
    jobs = [stand.job(f"C{n}", DATA) for n in range(4)]

    def vanish() -> None:
        stand.fail["open_read"] = ("/card", broken(number))
        stand.fail["stat"] = ("/card", broken(number))

    stand.after["stat_handle"] = lambda: vanish() if stand.calls[-1][1] == "/card/C1" else None
    done = copy(stand, jobs)
    assert landed(done[0]) == {"main", "second"}
    assert [type(copied.source_error) for copied in done[2:]] == [DriveGoneError] * 2
    assert sum(call == ("open_read", "/card/C3") for call in stand.calls) == 0


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ENOMEM])
def test_where_the_system_runs_short_nothing_is_said_about_the_card(number: int) -> None:
    stand = Stand()
    jobs = [stand.job(f"C{n}", DATA) for n in range(3)]
    stand.fail["open_read"] = ("/card/C1", broken(number))
    one, two, three = copy(stand, jobs)
    assert landed(one) == {"main", "second"}
    assert isinstance(two.source_error, SystemShortError)
    assert three.source_error is two.source_error, "told once, and not tried again"


def test_memory_that_runs_out_in_a_thread_is_told_in_words() -> None:
    stand = Stand()
    stand.fail["read_into"] = ("/card", MemoryError())
    with pytest.raises(SystemShortError, match="no more memory"):
        copy(stand, [stand.job("C0", DATA)])


def test_many_unreadable_files_in_a_row_mean_that_the_card_is_gone() -> None:
    stand = Stand()
    jobs = [stand.job(f"C{n}", DATA) for n in range(8)]
    stand.fail["read_into"] = ("/card", EIO)
    done = copy(stand, jobs)
    assert [type(copied.source_error) for copied in done] == [ReadError] * 4 + [DriveGoneError] * 4


@pytest.mark.parametrize(
    ("call", "error", "expected"),
    [
        ("write_at", ENOSPC, NoSpaceError),
        ("write_at", EIO, WriteError),
        ("create", broken(errno.EROFS), ReadOnlyError),
        ("create", broken(errno.ENODEV), DriveGoneError),
        ("rename_new", EIO, WriteError),
        ("make_folder", ENOSPC, NoSpaceError),
        ("set_times", EIO, WriteError),
        ("close", EIO, WriteError),
        ("unlink", EIO, None),
    ],
)
def test_a_failing_drive_ends_alone(
    call: str, error: OSError, expected: type[BackupkeeperError] | None
) -> None:
    stand = Stand()
    jobs = [stand.job(name, DATA) for name in ("one", "two")]
    stand.fail[call] = ("/second", error)
    done = copy(stand, jobs)
    for copied in done:
        assert isinstance(copied.places[MAIN], Landed)
        assert expected is None or type(copied.places[SECOND]) is expected
    assert expected is None or not any("second" in path for path in final_names(stand))


def final_names(stand: Stand) -> list[str]:
    return [path for path in on_drives(stand) if ".part" not in path]


def test_a_full_drive_gets_its_room_back() -> None:
    stand = Stand()
    stand.fail["write_at"] = ("/second", ENOSPC)
    copy(stand, [stand.job("one", DATA)])
    assert list(on_drives(stand)) == ["/main/Roll 01/one"]


def test_a_name_that_one_drive_can_not_hold_fails_only_that_file() -> None:
    stand = Stand()
    jobs = [stand.job("a:b", DATA), stand.job("two", DATA)]
    stand.fail["create"] = (temp_name("/second/Roll 01/a:b"), broken(errno.EILSEQ))
    one, two = copy(stand, jobs)
    assert isinstance(one.places[SECOND], WriteError)
    assert landed(one) == {"main"}
    assert landed(two) == {"main", "second"}


def test_a_drive_that_is_another_gets_nothing() -> None:
    def changed() -> None:
        raise MountChangedError("/second")

    stand = Stand()
    (copied,) = copy(stand, [stand.job("one", DATA)], drives(guards={SECOND: changed}))
    assert isinstance(copied.places[SECOND], MountChangedError)
    assert final_names(stand) == ["/main/Roll 01/one"]


def test_a_drive_that_changes_before_the_names_are_given_gets_none() -> None:
    stand = Stand()

    def changed() -> None:
        if any(call == ("open_read", temp_name("/second/Roll 01/one")) for call in stand.calls):
            raise MountChangedError("/second")

    (copied,) = copy(stand, [stand.job("one", DATA)], drives(guards={SECOND: changed}))
    assert isinstance(copied.places[SECOND], MountChangedError)
    assert final_names(stand) == ["/main/Roll 01/one"]


def sync_call(sizes: str) -> str:
    return "sync_tree" if sizes == "small" else "sync"


def test_after_one_failed_sync_the_file_is_written_anew_from_its_source(sizes: str) -> None:
    stand = Stand()
    stand.fail[sync_call(sizes)] = ("/second", EIO)
    stand.times[sync_call(sizes)] = 1
    (copied,) = copy(stand, [stand.job("one", DATA)])
    assert landed(copied) == {"main", "second"}
    writes = [path for call, path in stand.calls if call == "write_at"]
    assert sum("/second" in path for path in writes) == 2
    assert sum(path == "/card/one" for call, path in stand.calls if call == "open_read") == 2


def test_a_second_failed_sync_ends_the_drive(sizes: str) -> None:
    stand = Stand()
    stand.fail[sync_call(sizes)] = ("/second", EIO)
    jobs = [stand.job("one", DATA), stand.job("two", DATA)]
    for copied in copy(stand, jobs):
        assert landed(copied) == {"main"}
        assert isinstance(copied.places[SECOND], SyncError)
    assert len(final_names(stand)) == 2


def rot_after_sync(stand: Stand, sizes: str, times: int) -> None:
    """The medium of the second drive keeps other bytes than it was given."""
    temp = temp_name("/second/Roll 01/one")
    left = [times]

    def rot() -> None:
        if stand.calls[-1][1] in {"/second", temp} and left[0] and temp in stand.seen():
            left[0] -= 1
            stand.rot(temp, 5_000, b"rotten")

    stand.after[sync_call(sizes)] = rot


def test_what_comes_back_wrong_once_is_brought_again(sizes: str) -> None:
    stand = Stand()
    rot_after_sync(stand, sizes, 1)
    (copied,) = copy(stand, [stand.job("one", DATA)])
    assert landed(copied) == {"main", "second"}
    assert stand.on_medium("/second/Roll 01/one") == DATA


def test_what_comes_back_wrong_twice_gets_no_name(sizes: str) -> None:
    stand = Stand()
    rot_after_sync(stand, sizes, 2)
    (copied,) = copy(stand, [stand.job("one", DATA)])
    assert landed(copied) == {"main"}
    assert isinstance(copied.places[SECOND], ReadBackError)
    assert list(on_drives(stand)) == ["/main/Roll 01/one"]


def test_without_a_cold_read_it_lands_but_says_why_it_is_no_proof() -> None:
    stand = Stand()
    (copied,) = copy(stand, [stand.job("one", DATA)], drives(policy=cold_policy("nfs4", None)))
    for what in copied.places.values():
        assert isinstance(what, Landed)
        assert not what.cold
        assert "network" in what.why_not_cold


def test_behind_fuse_every_file_is_synced_by_itself() -> None:
    stand = Stand()
    policy = cold_policy("fuseblk", "/dev/no-such-device")
    jobs = [stand.job(name, DATA) for name in ("one", "two")]
    done = copy(stand, jobs, drives(policy=policy))
    assert all(landed(copied) == {"main", "second"} for copied in done)
    synced = {path for call, path in stand.calls if call == "sync"}
    temps = {temp_name(target) for job in jobs for target in job.targets.values()}
    assert temps <= synced
    assert not any(call == "sync_tree" for call, _ in stand.calls)


def test_where_nothing_can_be_reserved_or_by_passed_it_works_all_the_same() -> None:
    stand = Stand(direct=False)
    stand.fail["reserve"] = ("", broken(errno.EOPNOTSUPP))
    stand.fail["set_times"] = ("", broken(errno.EINVAL))
    (copied,) = copy(stand, [stand.job("one", DATA)])
    assert landed(copied) == {"main", "second"}


def test_an_unknown_digest_is_refused_before_anything_is_read() -> None:
    stand = Stand()
    with pytest.raises(UsageError):
        next(copy_files([], drives(), files=stand.files, progress=Quiet(), digests=["crc"]))
    assert stand.calls == []


def test_when_all_drives_are_gone_the_source_is_told_as_unread() -> None:
    stand = Stand()
    stand.fail["create"] = ("", broken(errno.EROFS))
    jobs = [stand.job(f"C{n}", some(n, 3 << 20)) for n in range(20)]
    last = copy(stand, jobs)[-1]
    assert isinstance(last.source_error, OutOfReachError)
    assert last.content is None
