"""Sectors that really can't be read: on drives whose device answers EIO, through FUSE, by strace.

What is true where (tried here, Linux 6.18): with ``O_DIRECT`` on ext4 and XFS what is lost is exact to
the sector; through the page cache, on these and on FUSE, to the page, as the cache loads whole pages; on
FUSE that by-passes the cache (``direct_io``), to the sector again.
"""

import errno
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.coldpolicy import cold_policy
from backupkeeper.transfer.coldread import DROPPED, DROPPED_DIRECT, read_cold
from backupkeeper.transfer.hashing import Hasher
from backupkeeper.transfer.reading import buffers_of
from backupkeeper.transfer.ring import Buffers
from backupkeeper.transfer.salvage import GIVE_UP, Patience, Salvage
from tests.real.fuse_with_holes import bad_drive, holey

FILES = RealFiles()
MiB = 1 << 20
pytestmark = pytest.mark.slow
SIZE = 9 * MiB + 777
HURT = [
    (5_000, 5_001),
    (3 * MiB - 700, 3 * MiB + 100),
    (8 * MiB - 700, 8 * MiB + 20_000),
    (SIZE - 1, SIZE),
]
KERNEL = [pytest.param(kind, marks=pytest.mark.real(kind, "fuse")) for kind in ("ext4", "xfs")]


def widened(spans: list[tuple[int, int]], unit: int) -> tuple[tuple[int, int], ...]:
    return tuple((a // unit * unit, min(-(-b // unit) * unit, SIZE)) for a, b in spans)


SECTORS, PAGES = widened(HURT, 512), widened(HURT, 4096)


def with_zeros(data: bytes, spans: tuple[tuple[int, int], ...]) -> bytes:
    made = bytearray(data)
    for first, last in spans:
        made[first:last] = bytes(last - first)
    return bytes(made)


def written(path: str) -> bytes:
    data = os.urandom(SIZE)
    with open(path, "xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    return data


@contextmanager
def salvaging(
    path: str, *, direct: bool, patience: Patience | None = None
) -> Iterator[tuple[Salvage, Callable[[], bytes]]]:
    handle = FILES.open_read(path, direct=direct)
    try:
        FILES.drop_pages(handle)
        salvage = Salvage(FILES, handle, SIZE, patience=patience)

        def whole() -> bytes:
            views = buffers_of(path, salvage.read, SIZE, Buffers(8 * MiB))
            return b"".join(bytes(view) for view in views)

        yield salvage, whole
    finally:
        FILES.close(handle)


@pytest.mark.parametrize("kind", KERNEL)
def test_on_a_drive_every_readable_sector_is_had_and_it_stays_cold(
    kind: str, tmp_path: Path
) -> None:
    with bad_drive(str(tmp_path), kind) as drive:
        path = f"{drive.point}/C0001.bin"
        data = written(path)
        drive.hurt(path, HURT)
        reading = read_cold(FILES, path, cold_policy(kind, drive.drive.device))
        assert reading.unreadable == SECTORS
        assert (reading.cold, reading.evidence) == (True, DROPPED_DIRECT)
        hasher = Hasher()
        hasher.update(with_zeros(data, SECTORS))
        assert reading.xxh128 == hasher.content().xxh128
        # Every byte came from the device itself, just now.
        assert sum(one.size for one in drive.asked() if not one.failed) >= SIZE - sum(
            end - start for start, end in SECTORS
        )
        drive.set([])
        reading = read_cold(FILES, path, cold_policy(kind, drive.drive.device))
        hasher = Hasher()
        hasher.update(data)
        assert (reading.unreadable, reading.xxh128) == ((), hasher.content().xxh128)


@pytest.mark.parametrize("kind", KERNEL)
def test_through_the_page_cache_it_is_exact_to_the_page(kind: str, tmp_path: Path) -> None:
    with bad_drive(str(tmp_path), kind) as drive:
        path = f"{drive.point}/C0001.bin"
        data = written(path)
        drive.hurt(path, HURT)
        with salvaging(path, direct=False) as (salvage, whole):
            assert whole() == with_zeros(data, PAGES)
            assert tuple(salvage.unreadable) == PAGES


@pytest.mark.real("fuse")
@pytest.mark.parametrize(
    ("direct_io", "direct", "lost"),
    [(False, False, PAGES), (False, True, SECTORS), (True, False, SECTORS), (True, True, SECTORS)],
)
def test_through_fuse(
    tmp_path: Path, *, direct_io: bool, direct: bool, lost: tuple[tuple[int, int], ...]
) -> None:
    with holey(str(tmp_path), direct_io=direct_io) as mount:
        path = f"{mount.point}/C0001.bin"
        data = written(path)
        mount.set({"C0001.bin": HURT})
        with salvaging(path, direct=direct) as (salvage, whole):
            assert whole() == with_zeros(data, lost)
            assert tuple(salvage.unreadable) == lost
        reading = read_cold(FILES, path, cold_policy("fuse.holey", None))
        assert reading.unreadable == (SECTORS if direct_io else PAGES)
        assert not reading.cold


@pytest.mark.real("fuse")
def test_a_bad_sector_by_its_other_name(tmp_path: Path) -> None:
    """Past the page cache Linux hands on what the disk's driver said: ``ENODATA``, not ``EIO``."""
    with holey(str(tmp_path), direct_io=True) as mount:
        path = f"{mount.point}/C0001.bin"
        written(path)
        mount.set({"C0001.bin": HURT}, number=errno.ENODATA)
        assert read_cold(FILES, path, cold_policy("fuse.holey", None)).unreadable == SECTORS


@pytest.mark.real("fuse")
def test_a_device_that_is_slow_to_fail_is_given_up_in_time(tmp_path: Path) -> None:
    """Every third page is bad and takes 20 ms to say so: to read all would take half a minute."""
    slow_s, budget_s = 0.02, 0.2
    bad = [(at, at + 1) for at in range(0, SIZE, 3 * 4096)]
    with holey(str(tmp_path), direct_io=True) as mount:
        path = f"{mount.point}/C0001.bin"
        data = written(path)
        mount.set({"C0001.bin": bad}, delay_s=slow_s)
        patience = Patience(time.monotonic, budget_s=budget_s)
        with salvaging(path, direct=False, patience=patience) as (salvage, whole):
            assert whole() == with_zeros(data, tuple(salvage.unreadable))
        failed = [one for one in mount.asked() if one.failed]
    # Each takes its time, so there can be no more of them, however slow this machine is.
    assert len(failed) <= GIVE_UP * budget_s / slow_s + 2
    told = set(range(0, SIZE, 512))
    for first, last in salvage.unreadable:
        told -= set(range(first, last, 512))
    assert not told & {start for start, _ in bad}


@pytest.mark.real("ext4", "fuse")
def test_a_file_whose_pages_are_kept_is_read_without_the_device(tmp_path: Path) -> None:
    """What a cold read must not be taken in by: the cache has the bytes that the device lost."""
    with bad_drive(str(tmp_path), "ext4") as drive:
        path = f"{drive.point}/C0001.bin"
        data = written(path)
        drive.hurt(path, HURT)
        with open(path, "rb") as file:
            assert file.read() == data, "the cache answered"
        reading = read_cold(FILES, path, cold_policy("ext4", None))
        assert (reading.cold, reading.unreadable) == (True, SECTORS)
        assert reading.evidence in {DROPPED, DROPPED_DIRECT}
