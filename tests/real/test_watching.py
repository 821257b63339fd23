"""Being woken by real mounts and real files, and by nothing else."""

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from backupkeeper.daemon.tree_watch import DogTreeWatch, is_ours
from backupkeeper.drives.watch_linux import LinuxMountWatch
from backupkeeper.drives.watch_macos import FolderMountWatch
from backupkeeper.drives.watch_polling import PollingMountWatch
from backupkeeper.drives.watching import SeveralWatches, mount_watch_for
from backupkeeper.ports.watch import MountWatch
from backupkeeper.transfer.durable import temp_name
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


@pytest.fixture
def bell() -> Bell:
    return Bell()


def until(is_so: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not is_so():
        assert time.monotonic() < end
        time.sleep(0.01)


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


def test_who_is_not_woken_uses_no_time(bell: Bell) -> None:
    """The mount table is always readable: waiting for that would use a whole core."""
    watch = LinuxMountWatch()
    watch.start(bell)
    begun = time.process_time()
    time.sleep(0.5)
    used = time.process_time() - begun
    watch.stop()
    assert used < 0.1
    assert not [one for one in threading.enumerate() if one.name == "mount watch"]


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


def test_each_system_has_its_watch(tmp_path: Path, bell: Bell) -> None:
    assert isinstance(mount_watch_for("linux", ("/media",)), SeveralWatches)
    assert isinstance(mount_watch_for("darwin", ()), FolderMountWatch)
    assert isinstance(mount_watch_for("freebsd14", ()), PollingMountWatch)
    several = mount_watch_for("linux", (str(tmp_path),))
    several.start(bell)
    (tmp_path / "x").mkdir()
    bell.wait()
    several.stop()


class Tree:
    def __init__(self) -> None:
        self.paths: list[str] = []
        self.troubles: list[str] = []
        self.watch = DogTreeWatch(self.troubles.append)

    def has(self, path: Path) -> Callable[[], bool]:
        return lambda: str(path) in self.paths


@pytest.fixture
def tree() -> Iterator[Tree]:
    made = Tree()
    yield made
    made.watch.stop()


def ready(tree: Tree, root: Path) -> None:
    """Until a first change is heard of."""

    def heard() -> bool:
        (root / "first").write_bytes(b"")
        (root / "first").unlink()
        return bool(tree.paths)

    until(heard)
    tree.paths.clear()


def test_what_is_made_written_moved_or_removed_is_told_at_any_depth(
    tmp_path: Path, tree: Tree
) -> None:
    deep = tmp_path / "a/b/c"
    deep.mkdir(parents=True)
    tree.watch.watch(str(tmp_path), tree.paths.append)
    tree.watch.watch(str(tmp_path), tree.paths.append)
    ready(tree, tmp_path)
    (deep / "clip").write_bytes(b"1")
    until(tree.has(deep / "clip"))
    (deep / "clip").rename(deep / "moved")
    until(tree.has(deep / "moved"))
    tree.paths.clear()
    (deep / "moved").unlink()
    until(tree.has(deep / "moved"))
    (tmp_path / "new").mkdir()
    until(tree.has(tmp_path / "new"))
    (tmp_path / "new/inside").write_bytes(b"1")
    until(tree.has(tmp_path / "new/inside"))


def test_reading_and_our_own_files_wake_nobody(tmp_path: Path, tree: Tree) -> None:
    (tmp_path / ".backupkeeper").mkdir()
    (tmp_path / "ascmhl").mkdir()
    (tmp_path / "clip").write_bytes(b"1")
    tree.watch.watch(str(tmp_path), tree.paths.append)
    ready(tree, tmp_path)
    (tmp_path / "clip").read_bytes()
    list(tmp_path.iterdir())
    (tmp_path / ".backupkeeper/place.json").write_bytes(b"{}")
    (tmp_path / "ascmhl/0001.mhl").write_bytes(b"x")
    Path(temp_name(str(tmp_path / "clip"))).write_bytes(b"x")
    (tmp_path / "last").write_bytes(b"1")
    until(tree.has(tmp_path / "last"))
    assert set(tree.paths) <= {str(tmp_path / "last"), str(tmp_path / "first")}
    assert is_ours("a/.backupkeeper/x")
    assert not is_ours("a/backupkeeper/x")


@pytest.mark.real("ext4")
def test_a_watched_drive_can_be_unmounted_and_torn_off(tree: Tree) -> None:
    with loop_fs("ext4") as drive:
        root = Path(drive.point)
        tree.watch.watch(str(root), tree.paths.append)
        ready(tree, root)
        drive.unmount()
        tree.watch.unwatch(str(root))
        drive.mount()
        tree.watch.watch(str(root), tree.paths.append)
        ready(tree, root)
        drive.pull()
        tree.watch.unwatch(str(root))
        tree.watch.unwatch(str(root))
    assert tree.troubles == []


def test_a_folder_that_is_not_there_is_no_trouble(tmp_path: Path, tree: Tree) -> None:
    tree.watch.watch(str(tmp_path / "gone"), tree.paths.append)
    tree.watch.stop()
    assert tree.troubles == []


def test_a_tree_of_more_folders_than_the_system_lets_watch_is_told(tmp_path: Path) -> None:
    """The bound is read from where the system says it (inotify(7)); here from a file of our own."""
    for number in range(9):
        (tmp_path / f"tree/{number}").mkdir(parents=True)
    for most, told in (("9", True), ("10", False), ("rubbish", False)):
        (tmp_path / "limit").write_text(f"{most}\n")
        made = Tree()
        made.watch = DogTreeWatch(made.troubles.append, limit=str(tmp_path / "limit"))
        made.watch.watch(str(tmp_path / "tree"), made.paths.append)
        ready(made, tmp_path / "tree")
        if told:
            until(lambda made=made: bool(made.troubles))  # type: ignore[misc]  # bound now
            assert "fs.inotify.max_user_watches" in made.troubles[0]
        made.watch.stop()
        assert bool(made.troubles) is told
