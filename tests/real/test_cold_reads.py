"""Cold reads on real file systems: bytes changed behind every cache are seen, or it is said "warm".

What each file system does is SEEN section 2's table; here it is tried again.
"""

import ctypes
import mmap
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from backupkeeper.core.errors import MismatchError
from backupkeeper.core.model import BLOCK_BYTES, Content
from backupkeeper.core.ranges import Ranges, merged, ranges_of
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.coldpolicy import cold_policy
from backupkeeper.transfer.coldread import (
    DEVICE_DROPPED,
    DIRECT,
    DROPPED_DIRECT,
    NEW_MOUNT,
    ColdReading,
    checked_blocks,
    read_cold,
    wrong_blocks,
)
from backupkeeper.transfer.hashing import Hasher
from tests.real.loopdev import LoopFs, loop_fs

FILES = RealFiles()
EVERY = [pytest.param(kind, marks=pytest.mark.real(kind)) for kind in ("ext4", "xfs", "exfat")]
KERNEL = EVERY[:2]
SIZE = 3 * BLOCK_BYTES + 12_345
MARK = b"the very bytes that rot " * 20
AT = BLOCK_BYTES + 70_000


def bad_ranges(expected: Content, reading: ColdReading) -> Ranges:
    """Where a copy is not what it must be, by blocks; what it has too much too."""
    length = max(expected.size, reading.size)
    extra = [(expected.size, length)]
    return merged([*ranges_of(wrong_blocks(expected, reading), length), *extra])


@pytest.fixture
def drive(request: pytest.FixtureRequest) -> Iterator[LoopFs]:
    with loop_fs(request.param, 64) as made:
        yield made


def write(drive: LoopFs) -> tuple[str, Content]:
    """A file of four blocks, the mark inside the second, all of it cached."""
    data = bytearray(os.urandom(SIZE))
    data[AT : AT + len(MARK)] = MARK
    path = f"{drive.point}/C0001.bin"
    with open(path, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    hasher = Hasher()
    hasher.update(data)
    return path, hasher.content()


LIBC = ctypes.CDLL(None, use_errno=True)
LIBC.mmap.restype = ctypes.c_void_p
LIBC.mmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t, *[ctypes.c_int] * 3, ctypes.c_long]
LIBC.mlock.argtypes = LIBC.munmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t]


@contextmanager
def kept_in_memory(path: str, size: int) -> Iterator[None]:
    """The system may take back cached pages whenever it likes; not these, for so long (mlock(2))."""
    descriptor = os.open(path, os.O_RDONLY)
    address = LIBC.mmap(None, size, mmap.PROT_READ, mmap.MAP_SHARED, descriptor, 0)
    os.close(descriptor)
    try:
        assert LIBC.mlock(address, size) == 0, os.strerror(ctypes.get_errno())
        yield
    finally:
        assert LIBC.munmap(address, size) == 0


def rot(drive: LoopFs) -> None:
    drive.spoil(MARK, b"x" * len(MARK))


@pytest.mark.parametrize("drive", EVERY, indirect=True)
def test_a_sound_file_is_read_cold_and_matches(drive: LoopFs) -> None:
    path, content = write(drive)
    seen: list[int] = []
    policy = cold_policy(drive.fs_type, drive.device)
    reading = read_cold(FILES, path, policy, on_bytes=seen.append)
    assert reading.cold
    assert reading.evidence == (DEVICE_DROPPED if drive.kind == "exfat" else DROPPED_DIRECT)
    assert (reading.xxh128, reading.block_map, reading.size) == (
        content.xxh128,
        content.block_map,
        SIZE,
    )
    assert reading.mtime_ns == os.stat(path).st_mtime_ns
    assert sum(seen) == SIZE
    assert bad_ranges(content, reading) == ()


@pytest.mark.parametrize("drive", EVERY, indirect=True)
def test_rot_behind_the_caches_is_seen_and_located(drive: LoopFs) -> None:
    path, content = write(drive)
    with kept_in_memory(path, SIZE):
        rot(drive)
        with open(path, "rb") as file:
            assert MARK in file.read(), "without a cold read the cache answers"
    reading = read_cold(FILES, path, cold_policy(drive.fs_type, drive.device))
    assert reading.cold
    assert reading.xxh128 != content.xxh128
    assert bad_ranges(content, reading) == ((BLOCK_BYTES, 2 * BLOCK_BYTES),)


@pytest.mark.real("exfat")
@pytest.mark.parametrize("drive", ["exfat"], indirect=True)
def test_through_fuse_without_the_right_to_the_device_it_is_said_to_be_warm(drive: LoopFs) -> None:
    path, content = write(drive)
    with kept_in_memory(drive.device, os.stat(drive.backing).st_size):
        rot(drive)
        reading = read_cold(FILES, path, cold_policy(drive.fs_type, "/dev/no-such-device"))
    assert reading.xxh128 == content.xxh128, "the device's cache answered"
    assert not reading.cold
    assert reading.evidence == ""
    assert "plug it in again and run verify" in reading.why_not_cold


@pytest.mark.real("exfat")
@pytest.mark.parametrize("drive", ["exfat"], indirect=True)
def test_through_fuse_a_new_mount_is_cold(drive: LoopFs) -> None:
    path, content = write(drive)
    rot(drive)
    drive.remount()
    policy = cold_policy(drive.fs_type, "/dev/no-such-device")
    reading = read_cold(FILES, path, policy, new_mount=True)
    assert (reading.cold, reading.evidence) == (True, NEW_MOUNT)
    assert bad_ranges(content, reading) == ((BLOCK_BYTES, 2 * BLOCK_BYTES),)


HOLDER = """
import mmap, sys
with open(sys.argv[1], "rb") as file:
    held = mmap.mmap(file.fileno(), 0, prot=mmap.PROT_READ)
    touched = sum(held[at] for at in range(0, len(held), 4096))
    print("holding", flush=True)
    sys.stdin.read()
"""


@pytest.mark.slow
@pytest.mark.parametrize("drive", KERNEL, indirect=True)
def test_a_file_that_another_program_holds_in_memory_is_read_past_the_cache(drive: LoopFs) -> None:
    path, content = write(drive)
    command = [sys.executable, "-c", HOLDER, path]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"holding\n"
        rot(drive)
        reading = read_cold(FILES, path, cold_policy(drive.fs_type, drive.device))
        stacked = read_cold(FILES, path, cold_policy("overlay", None))
        holder.communicate()
    # ext4 reads its cache without a word where it is mounted data=journal: see DIRECT_TYPES.
    wanted = (True, DIRECT) if drive.fs_type == "xfs" else (False, "")
    assert (reading.cold, reading.evidence) == wanted
    assert bad_ranges(content, reading) == ((BLOCK_BYTES, 2 * BLOCK_BYTES),)
    # On a stacked file system a by-passed cache may be the wrong one: only dropped pages count.
    assert not stacked.cold
    assert "another program holds it" in stacked.why_not_cold


@pytest.mark.parametrize("drive", EVERY, indirect=True)
def test_rotten_blocks_are_never_handed_out(drive: LoopFs) -> None:
    path, content = write(drive)
    policy = cold_policy(drive.fs_type, drive.device)
    whole = [bytes(block) for block in checked_blocks(FILES, path, content, policy)]
    assert [len(block) for block in whole] == [BLOCK_BYTES] * 3 + [12_345]
    rot(drive)
    got: list[bytes] = []
    with pytest.raises(MismatchError, match=f"from byte {BLOCK_BYTES} on"):
        got.extend(bytes(block) for block in checked_blocks(FILES, path, content, policy))
    assert got == whole[:1]


@pytest.mark.parametrize("drive", KERNEL, indirect=True)
def test_counting_pages_loads_none(drive: LoopFs) -> None:
    path, _ = write(drive)
    handle = FILES.open_read(path)
    try:
        # The last page is written in part only, and mincore counts whole pages (seen on ext4).
        assert FILES.pages_in_memory(handle, SIZE) >= SIZE // mmap.PAGESIZE
        FILES.drop_pages(handle)
        assert [FILES.pages_in_memory(handle, SIZE) for _ in range(3)] == [0, 0, 0]
    finally:
        FILES.close(handle)
