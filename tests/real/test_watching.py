"""Being woken by real mounts, and by nothing else."""

import os
import shutil
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from backupkeeper.core.errors import ListingError
from backupkeeper.drives.watch_linux import LinuxMountWatch
from backupkeeper.drives.watch_macos import FolderMountWatch
from backupkeeper.drives.watch_polling import PollingMountWatch
from backupkeeper.drives.watching import SeveralWatches, mount_watch_for
from backupkeeper.ports.watch import MountWatch
from tests.real.loopdev import loop_fs

PATIENCE_S = 20.0


class Bell:
    """Counts how often it was rung, and can be waited for."""

    def __init__(self) -> None:
        self.count = 0
        self._rung = threading.Event()

    def __call__(self) -> None:
        self.count += 1
        self._rung.set()

    def wait(self, seconds: float = PATIENCE_S) -> float:
        """Seconds until it was rung (since the last wait)."""
        begun = time.monotonic()
        assert self._rung.wait(seconds), "nobody rang"
        self._rung.clear()
        return time.monotonic() - begun

    def settle(self) -> None:
        """Forget what was rung in the last moments."""
        while self._rung.wait(0.2):
            self._rung.clear()


@pytest.fixture
def bell() -> Bell:
    return Bell()


@pytest.mark.real("ext4")
@pytest.mark.parametrize(
    "make", [LinuxMountWatch, lambda: PollingMountWatch(0.2)], ids=["poll", "list"]
)
def test_a_mount_and_an_unmount_are_noticed_within_a_second(
    bell: Bell, make: Callable[[], MountWatch]
) -> None:
    watch = make()
    watch.start(bell)
    try:
        with loop_fs("ext4") as drive:
            assert bell.wait() < 10  # making it takes its time
            before = bell.count
            drive.unmount()
            assert bell.wait() < 1
            drive.mount()
            assert bell.wait() < 1
            assert bell.count > before
    finally:
        watch.stop()


@pytest.mark.slow
def test_who_is_not_woken_uses_no_time(tmp_path: Path, bell: Bell) -> None:
    """The mount table is always readable: waiting for that would use a whole core."""
    watch = mount_watch_for("linux", (str(tmp_path), "/run/media"))
    before = set(threading.enumerate())
    watch.start(bell)
    ours = [thread.ident for thread in threading.enumerate() if thread not in before]
    clocks = [time.pthread_getcpuclockid(ident) for ident in ours if ident is not None]
    assert clocks
    begun = sum(map(time.clock_gettime, clocks))
    time.sleep(2)
    used = sum(map(time.clock_gettime, clocks)) - begun
    watch.stop()
    assert used < 0.01, "half a percent of one core"


def test_whoever_stops_leaves_no_thread_and_no_open_file(tmp_path: Path, bell: Bell) -> None:
    threads, files = set(threading.enumerate()), len(os.listdir("/proc/self/fd"))
    for platform in ("linux", "darwin", "other"):
        watch = mount_watch_for(platform, (str(tmp_path), str(tmp_path / "not there")))
        watch.start(bell)
        watch.start(bell)
        watch.stop()
        watch.stop()
    assert set(threading.enumerate()) <= threads
    assert len(os.listdir("/proc/self/fd")) == files


def test_a_callee_that_does_not_return_holds_up_no_stop(bell: Bell) -> None:
    goes_on = threading.Event()

    def hangs() -> None:
        bell()
        goes_on.wait(PATIENCE_S)

    watch = PollingMountWatch(0.01, mounts=lambda: frozenset([str(time.monotonic())]))
    watch.start(hangs)
    bell.wait()
    begun = time.monotonic()
    watch.stop()
    assert time.monotonic() - begun < 2
    goes_on.set()


def test_a_mount_table_that_is_not_there_is_told_as_ours(bell: Bell) -> None:
    with pytest.raises(ListingError, match="/nowhere can't be watched"):
        LinuxMountWatch("/nowhere").start(bell)


@pytest.mark.real("ext4")
def test_a_callee_that_fails_is_called_again(bell: Bell) -> None:
    def fails() -> None:
        bell()
        raise RuntimeError

    watch = LinuxMountWatch()
    watch.start(fails)
    try:
        with loop_fs("ext4") as drive:
            bell.wait()
            drive.unmount()
            bell.wait()
            drive.mount()
    finally:
        watch.stop()


def test_a_folder_that_appears_where_media_are_mounted_is_noticed(
    tmp_path: Path, bell: Bell
) -> None:
    """What macOS would do below /Volumes, on an ordinary folder."""
    watch = FolderMountWatch((str(tmp_path), str(tmp_path / "not there")))
    watch.start(bell)
    try:
        (tmp_path / "CARD").mkdir()
        bell.wait()
        (tmp_path / "CARD").rmdir()
        bell.wait()
    finally:
        watch.stop()
    watch.stop()


def test_a_folder_for_media_that_comes_later_is_noticed_and_then_watched(
    tmp_path: Path, bell: Bell
) -> None:
    media = tmp_path / "run/media/person"
    watch = FolderMountWatch((str(media),))
    watch.start(bell)
    try:
        for _ in range(2):  # it may go, and come again
            media.mkdir(parents=True)
            bell.wait()
            (media / "CARD").mkdir()
            bell.wait()
            shutil.rmtree(tmp_path / "run")
            bell.wait()
            bell.settle()
    finally:
        watch.stop()


def test_what_comes_and_goes_above_a_folder_that_is_not_there_wakes_nobody(
    tmp_path: Path, bell: Bell
) -> None:
    watch = FolderMountWatch((str(tmp_path / "run/media"), str(tmp_path / "mnt")))
    (tmp_path / "mnt").mkdir()
    watch.start(bell)
    try:
        (tmp_path / "other").mkdir()
        (tmp_path / "run").mkdir()
        (tmp_path / "mnt/CARD").mkdir()
        bell.wait()
        bell.settle()
        (tmp_path / "run/else").mkdir()
        (tmp_path / "mnt/CARD").rmdir()
        bell.wait()
        bell.settle()
        assert bell.count == 2
        (tmp_path / "run/media").mkdir()
        bell.wait()
    finally:
        watch.stop()


def test_each_system_has_its_watch(tmp_path: Path, bell: Bell) -> None:
    assert isinstance(mount_watch_for("linux", ("/media",)), SeveralWatches)
    assert isinstance(mount_watch_for("darwin", ()), SeveralWatches)
    assert isinstance(mount_watch_for("freebsd14", ()), PollingMountWatch)
    several = mount_watch_for("linux", (str(tmp_path),))
    several.start(bell)
    (tmp_path / "x").mkdir()
    bell.wait()
    several.stop()
