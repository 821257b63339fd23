"""Promise 2: no belief without proof. What the caches say never makes a copy proven.

On real file systems: bytes that the medium lost while the cache still had them right. Either the
pipeline and ``read_cold`` see it, or they say that they did not look at the medium.
"""

import os
from collections.abc import Iterator

import pytest

from backupkeeper.core.errors import ReadBackError
from backupkeeper.core.model import PlaceId
from backupkeeper.ports.files import Handle
from backupkeeper.ports.progress import Quiet
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer import batches
from backupkeeper.transfer.coldpolicy import ColdPolicy, cold_policy
from backupkeeper.transfer.coldread import read_cold
from backupkeeper.transfer.durable import is_temp_name
from backupkeeper.transfer.pipeline import Copied, Destination, Job, Landed, copy_files
from tests.real.loopdev import LoopFs, loop_fs

HERE = PlaceId("here")
MARK = b"the very bytes that the medium loses " * 9
SIZE = 3_000_000
EVERY = [pytest.param(kind, marks=pytest.mark.real(kind)) for kind in ("ext4", "xfs", "exfat")]


@pytest.fixture
def drive(request: pytest.FixtureRequest) -> Iterator[LoopFs]:
    with loop_fs(request.param, 64) as made:
        yield made


class LyingMedium(RealFiles):
    """Real calls on a drive that loses bytes after every sync, and tells nobody."""

    def __init__(self, drive: LoopFs) -> None:
        self._drive = drive
        self.spoiled = 0

    def _spoil(self) -> None:
        with open(self._drive.backing, "r+b") as image:
            data = image.read()
            at = data.find(MARK)
            if at >= 0:
                image.seek(at)
                image.write(b"?" * len(MARK))
                self.spoiled += 1

    def sync(self, handle: Handle) -> None:
        super().sync(handle)
        self._spoil()

    def sync_tree(self, path: str) -> None:
        super().sync_tree(path)
        self._spoil()


def bring(drive: LoopFs, folder: str, files: RealFiles, policy: ColdPolicy) -> Copied:
    data = bytearray(os.urandom(SIZE))
    data[1_000_000 : 1_000_000 + len(MARK)] = MARK
    source = f"{folder}/C0001.bin"
    with open(source, "wb") as file:
        file.write(data)
    job = Job(
        source=source,
        size=SIZE,
        mtime_ns=os.stat(source).st_mtime_ns,
        targets={HERE: f"{drive.point}/260612 Boatyard/C0001.bin"},
    )
    to = Destination(place=HERE, root=drive.point, cold=policy, guard=lambda: None)
    ((copied,),) = copy_files([job], [to], files=files, progress=Quiet())
    return copied


@pytest.mark.slow
@pytest.mark.parametrize("large_bytes", [batches.LARGE_BYTES, 1_000_000])
@pytest.mark.parametrize("drive", EVERY, indirect=True)
def test_a_sound_copy_is_proven_and_still_there_in_a_new_mount(
    drive: LoopFs, tmp_path: object, large_bytes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batches, "LARGE_BYTES", large_bytes)
    policy = cold_policy(drive.fs_type, drive.device)
    copied = bring(drive, str(tmp_path), RealFiles(), policy)
    landed = copied.places[HERE]
    assert isinstance(landed, Landed), landed
    assert landed.cold, landed.why_not_cold
    drive.remount()
    target = copied.job.targets[HERE]
    assert copied.content is not None
    assert read_cold(RealFiles(), target, policy).block_map == copied.content.block_map
    # exFAT keeps times to 10 ms (STANDARDS section 8.4); its FUSE program to 2 s (seen).
    assert abs(os.stat(target).st_mtime_ns - copied.job.mtime_ns) <= 2_000_000_000


@pytest.mark.slow
@pytest.mark.parametrize("large_bytes", [batches.LARGE_BYTES, 1_000_000])
@pytest.mark.parametrize("drive", EVERY, indirect=True)
def test_bytes_that_the_medium_lost_get_no_final_name(
    drive: LoopFs, tmp_path: object, large_bytes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batches, "LARGE_BYTES", large_bytes)
    files = LyingMedium(drive)
    policy = cold_policy(drive.fs_type, drive.device)
    copied = bring(drive, str(tmp_path), files, policy)
    assert files.spoiled == 2, "the second attempt was spoiled like the first"
    assert isinstance(copied.places[HERE], ReadBackError)
    left = [name for _, _, names in os.walk(drive.point) for name in names]
    assert [name for name in left if not is_temp_name(name)] == []


@pytest.mark.slow
@pytest.mark.parametrize("drive", EVERY[2:], indirect=True)
def test_where_the_medium_could_not_be_asked_nothing_is_called_cold(
    drive: LoopFs, tmp_path: object
) -> None:
    files = LyingMedium(drive)
    policy = cold_policy(drive.fs_type, "/dev/no-such-device")
    landed = bring(drive, str(tmp_path), files, policy).places[HERE]
    assert isinstance(landed, Landed)
    assert files.spoiled >= 1
    assert not landed.cold
    assert "run verify" in landed.why_not_cold


@pytest.mark.slow
@pytest.mark.parametrize("drive", EVERY[:2], indirect=True)
def test_what_landed_outlives_a_power_cut(drive: LoopFs, tmp_path: object) -> None:
    policy = cold_policy(drive.fs_type, drive.device)
    copied = bring(drive, str(tmp_path), RealFiles(), policy)
    assert isinstance(copied.places[HERE], Landed)
    drive.power_cut()
    assert copied.content is not None
    reading = read_cold(RealFiles(), copied.job.targets[HERE], policy)
    assert reading.block_map == copied.content.block_map
