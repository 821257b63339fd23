"""Cold reads on a made-up disk: policies, what is told as cold, what can't be read, what is damaged."""

import errno
from collections.abc import Callable
from itertools import count, pairwise

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.errors import DriveGoneError, MismatchError, ReadError, SourceChangedError
from backupkeeper.core.model import BLOCK_BYTES, Content
from backupkeeper.core.ranges import Ranges, length, merged, ranges_of
from backupkeeper.ports.files import Handle
from backupkeeper.transfer.coldpolicy import ColdKind, ColdPolicy, cold_policy
from backupkeeper.transfer.coldread import (
    DEVICE_DROPPED,
    DIRECT,
    DROPPED,
    DROPPED_DIRECT,
    NEW_MOUNT,
    ColdReader,
    ColdReading,
    SoFar,
    checked_blocks,
    read_cold,
    wrong_blocks,
)
from backupkeeper.transfer.hashing import Hasher
from tests.transfer.made_up_drives import EIO, KERNEL, Stand, broken, some
from tests.world.disk import Disk, Node

DATA = some(1, 9_000)
BIG = some(2, 2 * BLOCK_BYTES + 8_000)


def bad_ranges(expected: Content, reading: ColdReading) -> Ranges:
    """Where a copy is not what it must be, by blocks; what it has too much too."""
    length = max(expected.size, reading.size)
    extra = [(expected.size, length)]
    return merged([*ranges_of(wrong_blocks(expected, reading), length), *extra])


def content(data: bytes) -> Content:
    hasher = Hasher()
    hasher.update(data)
    return hasher.content()


class Fuse(Disk):
    """A disk whose block device is there: dropping its pages leaves ``left``."""

    left = 0

    def drop_device_pages(self, device_path: str) -> int:
        return self.left


class Pinned(Disk):
    """Somebody else holds every page of every file."""

    def drop_pages(self, handle: int) -> None:
        node: Node = self._handles[handle][0]
        for number in range(-(-node.size // 4096)):
            node.page(number)


def stored(disk: Disk, data: bytes = DATA) -> str:
    path = "/C0001.bin"
    handle = disk.create(path)
    disk.write_at(handle, memoryview(data), 0)
    disk.sync(handle)
    disk.close(handle)
    return path


@pytest.mark.parametrize(
    "fs_type",
    ["ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "vfat", "exfat", "ntfs3", "overlay"],
)
def test_file_systems_in_the_kernel_can_be_read_cold(fs_type: str) -> None:
    assert cold_policy(fs_type, None).kind is ColdKind.KERNEL


@pytest.mark.parametrize("fs_type", ["fuse", "fuseblk", "fuse.some"])
def test_fuse_can_be_read_cold_only_with_a_device_below_it(fs_type: str) -> None:
    assert cold_policy(fs_type, "/dev/sdx1").kind is ColdKind.FUSE
    without = cold_policy(fs_type, None)
    assert without.kind is ColdKind.NEVER
    assert "no device below it" in without.why_never


@pytest.mark.parametrize(
    ("fs_type", "why"),
    [
        ("nfs4", "network share"),
        ("tmpfs", "in memory only"),
        ("zfs", "cache of its own"),
        ("somethingfs", "not known here"),
    ],
)
def test_everything_else_is_never_cold_and_says_why(fs_type: str, why: str) -> None:
    policy = cold_policy(fs_type, "/dev/sdx1")
    assert policy.kind is ColdKind.NEVER
    assert why in policy.why_never
    disk = Disk()
    path = stored(disk)
    for new_mount in (False, True):
        reading = read_cold(disk, path, policy, new_mount=new_mount)
        assert (reading.cold, reading.evidence) == (False, "")
        assert reading.why_not_cold == policy.why_never


FUSE = cold_policy("fuseblk", "/dev/made-up")


@pytest.mark.parametrize(
    ("disk", "policy", "new_mount", "evidence"),
    [
        (Disk, KERNEL, False, DROPPED_DIRECT),
        (lambda: Disk(direct=False), KERNEL, False, DROPPED),
        (Pinned, cold_policy("xfs", None), False, DIRECT),
        (Pinned, cold_policy("ext4", None), False, ""),
        (lambda: Pinned(direct=False), KERNEL, False, ""),
        (Pinned, cold_policy("btrfs", None), False, ""),
        (Pinned, cold_policy("overlay", None), False, ""),
        (Disk, cold_policy("overlay", None), False, DROPPED_DIRECT),
        (Fuse, FUSE, False, DEVICE_DROPPED),
        (Disk, FUSE, False, ""),
        (Disk, FUSE, True, NEW_MOUNT),
    ],
)
def test_cold_is_said_only_with_evidence(
    disk: Callable[[], Disk], policy: ColdPolicy, new_mount: bool, evidence: str
) -> None:
    made = disk()
    reading = read_cold(made, stored(made), policy, new_mount=new_mount)
    assert (reading.cold, reading.evidence) == (bool(evidence), evidence)
    assert bool(reading.why_not_cold) is not reading.cold
    assert reading.xxh128 == content(DATA).xxh128
    assert made.open_handles == 0


def test_a_device_whose_pages_stay_is_warm() -> None:
    disk = Fuse()
    disk.left = 3
    reading = read_cold(disk, stored(disk), FUSE)
    assert not reading.cold
    assert reading.why_not_cold.startswith("3 pages of the device stayed")
    assert "run verify" in reading.why_not_cold


class Busy(Disk):
    """A device that others look at: so many of its pages stay at each dropping, in turn."""

    def __init__(self, *left: int) -> None:
        super().__init__()
        self.left = list(left)

    def drop_device_pages(self, device_path: str) -> int:
        return self.left.pop(0) if self.left else 0


def test_a_device_that_somebody_looked_at_for_a_moment_is_cold_all_the_same() -> None:
    disk = Busy(2, 1)
    assert read_cold(disk, stored(disk), FUSE).evidence == DEVICE_DROPPED


def test_what_kept_one_file_warm_is_tried_again_for_the_next() -> None:
    disk = Busy(2, 2, 2)
    path = stored(disk)
    reader = ColdReader(disk, FUSE)
    assert [reader.read(path).cold for _ in range(3)] == [False, True, True]


def test_pages_that_can_not_be_counted_are_not_cold() -> None:
    stand = Stand(direct=False)
    path = stand.put("/card/one", DATA)
    stand.fail["pages_in_memory"] = ("", broken(errno.ENODEV))
    reading = read_cold(stand.files, path, KERNEL)
    assert not reading.cold
    assert "does not tell" in reading.why_not_cold


@pytest.mark.parametrize("size", [0, 1, 4096, 4097, BLOCK_BYTES, 8 << 20, (8 << 20) + 1, 20 << 20])
def test_any_size_is_read_whole(size: int) -> None:
    data = bytes(some(size, 1 << 10) * (size // 1024 + 1))[:size]
    stand = Stand()
    reading = read_cold(stand.files, stand.put("/card/one", data), KERNEL)
    expected = content(data)
    assert (reading.xxh128, reading.block_map, reading.size, reading.mtime_ns) == (
        expected.xxh128,
        expected.block_map,
        size,
        stand.stat("/card/one").mtime_ns,
    )
    assert stand.open_handles == 0


class BadSectors(Disk):
    """Bytes from ``bad[0]`` to ``bad[1]`` can't be read."""

    bad = (0, 0)

    def read_into(self, handle: int, buffer: memoryview, offset: int) -> int:
        if offset < self.bad[1] and offset + len(buffer) > self.bad[0]:
            raise EIO
        return super().read_into(Handle(handle), buffer, offset)


@pytest.mark.parametrize("data", [BIG, BIG[:9_000]])
def test_unreadable_sectors_are_told_and_the_rest_is_read(data: bytes) -> None:
    disk = BadSectors()
    path = stored(disk, data)
    disk.bad = (5_000, 8_200)
    reading = read_cold(disk, path, KERNEL)
    assert reading.unreadable == ((4_608, 8_704),)
    with_holes = data[:4_608] + bytes(4_096) + data[8_704:]
    assert reading.xxh128 == content(with_holes).xxh128
    assert bad_ranges(content(data), reading) == ((0, min(BLOCK_BYTES, len(data))),)
    assert disk.open_handles == 0


def test_what_could_not_be_read_is_known_of_a_reading_that_was_broken_off() -> None:
    disk = BadSectors()
    path = stored(disk, BIG)
    disk.bad = (5_000, 8_200)
    begun = SoFar()
    assert ColdReader(disk, KERNEL).read_on(path, begun, lambda _: None, lambda: True) is None
    assert begun.unreadable == [(4_608, 8_704)]


def test_a_device_whose_failures_cost_too_much_time_is_read_more_coarsely() -> None:
    disk = BadSectors()
    path = stored(disk, BIG)
    disk.bad = (5_000, 8_200)
    hours = count(0, 3_600)
    slow = cold_policy("ext4", None, stopwatch=lambda: float(next(hours)))
    reading = read_cold(disk, path, slow)
    lost = merged(reading.unreadable)
    assert lost == merged([*lost, (4_608, 8_704)])
    assert length(lost) > 8_704 - 4_608


def test_zeros_that_could_not_be_read_are_no_match() -> None:
    disk = BadSectors()
    path = stored(disk, bytes(9_000))
    disk.bad = (0, 1)
    reading = read_cold(disk, path, KERNEL)
    assert reading.block_map == content(bytes(9_000)).block_map
    assert reading.unreadable
    assert bad_ranges(content(bytes(9_000)), reading) == ((0, 9_000),)


def test_a_device_that_gives_nothing_at_all_is_an_error_soon() -> None:
    disk = BadSectors()
    path = stored(disk, some(1, 1000) * 50_000)
    disk.bad = (0, 1 << 40)
    with pytest.raises(ReadError):
        read_cold(disk, path, KERNEL)
    assert disk.open_handles == 0


@pytest.mark.parametrize(
    ("number", "error"), [(errno.ENODEV, DriveGoneError), (errno.EACCES, ReadError)]
)
@pytest.mark.parametrize("call", ["open_read", "read_into", "stat_handle", "close"])
@pytest.mark.parametrize("data", [DATA, BIG])
def test_what_keeps_a_file_from_being_read_is_one_of_our_errors(
    call: str, number: int, error: type[Exception], data: bytes
) -> None:
    stand = Stand()
    path = stand.put("/card/one", data)
    stand.fail[call] = ("/card/one", broken(number))
    with pytest.raises(error, match=path):
        read_cold(stand.files, path, KERNEL)
    assert stand.open_handles == 0
    with pytest.raises(error, match=path):
        list(checked_blocks(stand.files, path, content(data), KERNEL))
    assert stand.open_handles == 0


def test_a_folder_is_no_file() -> None:
    with pytest.raises(ReadError, match=r"/card.*no file but a folder"):
        read_cold(Stand().files, "/card", KERNEL)


def test_a_file_that_changes_while_it_is_read_is_told() -> None:
    stand = Stand()
    path = stand.put("/card/one", DATA)
    stand.after["read_into"] = lambda: stand.set_times(path, 1)
    with pytest.raises(SourceChangedError):
        read_cold(stand.files, path, KERNEL)


def test_checked_blocks_refuse_another_size_and_a_broken_device() -> None:
    stand = Stand()
    path = stand.put("/card/one", DATA)
    with pytest.raises(MismatchError, match="has 9000 bytes; it must have 8000"):
        list(checked_blocks(stand.files, path, content(DATA[:8000]), KERNEL))
    stand.fail["read_into"] = ("", EIO)
    with pytest.raises(ReadError):
        list(checked_blocks(stand.files, path, content(DATA), KERNEL))
    assert stand.open_handles == 0


def test_checked_blocks_left_early_leave_nothing_open() -> None:
    stand = Stand()
    path = stand.put("/card/one", BIG)
    blocks = checked_blocks(stand.files, path, content(BIG), KERNEL)
    assert len(next(blocks)) == BLOCK_BYTES
    blocks.close()
    assert stand.open_handles == 0


def reading_of(data: bytes) -> ColdReading:
    made = content(data)
    return ColdReading(
        xxh128=made.xxh128,
        block_map=made.block_map,
        size=made.size,
        mtime_ns=0,
        cold=True,
        evidence="",
        why_not_cold="",
    )


@settings(max_examples=40, deadline=None)
@given(
    size=st.integers(0, 3 * BLOCK_BYTES + 9),
    now=st.integers(0, 3 * BLOCK_BYTES + 9) | st.none(),
    at=st.none() | st.integers(0, 3 * BLOCK_BYTES + 8),
)
def test_every_byte_that_differs_lies_in_a_damaged_range(
    size: int, now: int | None, at: int | None
) -> None:
    before = bytes(size)
    after = bytearray(size if now is None else now)
    if at is not None and at < len(after):
        after[at] = 1
    ranges = bad_ranges(content(before), reading_of(bytes(after)))
    length = max(size, len(after))
    assert all(0 <= start < end <= length for start, end in ranges)
    assert all(one[1] < other[0] for one, other in pairwise(ranges))
    differing = [at] if at is not None and at < len(after) else []
    differing += [min(size, len(after)), length - 1] if size != len(after) else []
    for byte in differing:
        assert any(start <= byte < end for start, end in ranges)
    assert bool(ranges) is bool(differing)
    assert sum(end - start for start, end in ranges) <= len(differing) * BLOCK_BYTES + abs(
        size - len(after)
    )
