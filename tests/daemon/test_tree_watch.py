"""What changes below a folder is told, whatever the system drops; nothing else wakes anybody.

Source of the limits: inotify(7); the limits of a user namespace: Documentation/admin-guide/sysctl/user.
"""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Self

import pytest

from backupkeeper.daemon.tree_watch import MOST_FOLDERS, DogTreeWatch, is_ours
from backupkeeper.transfer.durable import temp_name

PATIENCE_S = 20.0
BURST_S = 0.05

PROGRAM = """
import sys
from backupkeeper.daemon.tree_watch import DogTreeWatch
def told(word):
    def tell(path):
        print(word, path, flush=True)
    return tell
for text in sys.argv[2:]:
    name, value = text.split("=")
    with open(f"/proc/sys/user/{name}", "w") as file:
        file.write(value)
watch = DogTreeWatch(told("trouble"))
watch.watch(sys.argv[1], told("path"))
sys.stdin.read()
watch.stop()
"""

needs_namespaces = pytest.mark.skipif(
    "not may_have_namespace()", reason="needs user namespaces (unshare)"
)


def may_have_namespace() -> bool:
    try:
        done = subprocess.run(
            ["unshare", "--user", "--map-root-user", "true"], capture_output=True, check=False
        )
    except OSError:
        return False
    return done.returncode == 0


def until(is_so: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not is_so():
        assert time.monotonic() < end
        time.sleep(0.01)


class Tree:
    def __init__(self) -> None:
        self.paths: list[str] = []
        self.troubles: list[str] = []
        self.watch = DogTreeWatch(self.troubles.append, burst_s=BURST_S)

    def has(self, path: Path) -> Callable[[], bool]:
        return lambda: str(path) in self.paths

    def ready(self, root: Path) -> None:
        """Until a first change is heard of, and no later one is on its way."""

        def heard() -> bool:
            (root / "first").write_bytes(b"")
            return str(root / "first") in self.paths

        self.paths.clear()

        until(heard)
        (root / "first").unlink()
        self.paths.clear()
        (root / "second").write_bytes(b"")
        until(self.has(root / "second"))
        self.paths.clear()


@pytest.fixture
def tree() -> Iterator[Tree]:
    threads = threading.active_count()
    made = Tree()
    yield made
    begun = time.monotonic()
    made.watch.stop()
    made.watch.stop()
    assert time.monotonic() - begun < 3
    until(lambda: threading.active_count() <= threads)


def test_what_is_made_written_moved_or_removed_is_told_at_any_depth(
    tmp_path: Path, tree: Tree
) -> None:
    deep = tmp_path / "a/b/c"
    deep.mkdir(parents=True)
    tree.watch.watch(str(tmp_path), tree.paths.append)
    tree.watch.watch(str(tmp_path), tree.paths.append)
    tree.ready(tmp_path)
    (deep / "clip").write_bytes(b"1")
    until(tree.has(deep / "clip"))
    (deep / "clip").rename(deep.parent / "moved")
    until(tree.has(deep / "clip"))
    until(tree.has(deep.parent / "moved"))
    tree.paths.clear()
    (deep.parent / "moved").unlink()
    until(tree.has(deep.parent / "moved"))
    (tmp_path / "new").mkdir()
    until(tree.has(tmp_path / "new"))
    (tmp_path / "new/inside").write_bytes(b"1")
    until(tree.has(tmp_path / "new/inside"))


def test_reading_and_our_own_files_wake_nobody(tmp_path: Path, tree: Tree) -> None:
    (tmp_path / ".backupkeeper").mkdir()
    (tmp_path / "roll/ascmhl").mkdir(parents=True)
    (tmp_path / "roll/clip").write_bytes(b"1")
    tree.watch.watch(str(tmp_path), tree.paths.append)
    tree.ready(tmp_path)
    (tmp_path / "roll/clip").read_bytes()
    list((tmp_path / "roll").iterdir())
    (tmp_path / ".backupkeeper/place.json").write_bytes(b"{}")
    (tmp_path / "roll/ascmhl/0001.mhl").write_bytes(b"x")
    Path(temp_name(str(tmp_path / "roll/clip"))).write_bytes(b"x")
    (tmp_path / "last").write_bytes(b"1")
    until(tree.has(tmp_path / "last"))
    assert {os.path.dirname(path) for path in tree.paths} == {str(tmp_path)}
    assert not any(".backupkeeper" in path for path in tree.paths)
    assert is_ours("a/.backupkeeper/x")
    assert not is_ours("a/backupkeeper/x")


def test_a_name_that_is_no_text_is_told(tmp_path: Path, tree: Tree) -> None:
    tree.watch.watch(str(tmp_path), tree.paths.append)
    tree.ready(tmp_path)
    path = tmp_path / os.fsdecode(b"odd\xff")
    path.write_bytes(b"1")
    until(tree.has(path))


def test_a_burst_is_told_once_for_each_folder(tmp_path: Path, tree: Tree) -> None:
    """A large copy makes thousands of changes a second; each telling wakes the loop."""
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    tree.watch.watch(str(tmp_path), tree.paths.append)
    tree.ready(tmp_path)
    begun = time.monotonic()
    for number in range(500):
        for name in ("one", "two"):
            (tmp_path / name / f"{number}").write_bytes(b"1")
    (tmp_path / "last").write_bytes(b"1")
    until(tree.has(tmp_path / "last"))
    bursts = (time.monotonic() - begun) / BURST_S + 2
    assert {os.path.dirname(path) for path in tree.paths} == {
        str(tmp_path),
        str(tmp_path / "one"),
        str(tmp_path / "two"),
    }
    assert len(tree.paths) <= 3 * bursts


@pytest.mark.slow
def test_a_burst_in_very_many_folders_is_a_change_of_the_root(tmp_path: Path, tree: Tree) -> None:
    tree.watch = DogTreeWatch(tree.troubles.append, burst_s=2)
    for number in range(MOST_FOLDERS + 10):
        (tmp_path / f"{number}").mkdir()
    tree.watch.watch(str(tmp_path), tree.paths.append)
    tree.ready(tmp_path)
    for number in range(MOST_FOLDERS + 10):
        (tmp_path / f"{number}/clip").touch()
    until(tree.has(tmp_path))


def test_a_callee_that_fails_is_called_again(tmp_path: Path, tree: Tree) -> None:
    def fails(path: str) -> None:
        tree.paths.append(path)
        raise RuntimeError

    tree.watch.watch(str(tmp_path), fails)
    tree.ready(tmp_path)


def test_a_folder_that_is_not_there_is_no_trouble_and_watched_once_it_is(
    tmp_path: Path, tree: Tree
) -> None:
    root = tmp_path / "later"
    tree.watch.watch(str(root), tree.paths.append)
    until(lambda: not threads_named(f"watch {root}"))
    root.mkdir()
    tree.watch.watch(str(root), tree.paths.append)
    tree.ready(root)
    assert tree.troubles == []


def test_a_root_that_was_removed_and_made_anew_is_watched_again(tmp_path: Path, tree: Tree) -> None:
    root = tmp_path / "place"
    root.mkdir()
    tree.watch.watch(str(root), tree.paths.append)
    tree.ready(root)
    root.rename(tmp_path / "old")
    root.mkdir()
    tree.watch.watch(str(root), tree.paths.append)
    tree.ready(root)
    (tmp_path / "old/nobody").write_bytes(b"1")
    (root / "last").write_bytes(b"1")
    until(tree.has(root / "last"))
    assert str(root / "nobody") not in tree.paths


def test_a_root_behind_a_link_is_told_by_its_own_name(tmp_path: Path, tree: Tree) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    tree.watch.watch(str(tmp_path / "link"), tree.paths.append)
    tree.ready(tmp_path / "link")
    assert tree.troubles == []


def test_a_file_as_root_is_no_trouble(tmp_path: Path, tree: Tree) -> None:
    (tmp_path / "file").write_bytes(b"1")
    tree.watch.watch(str(tmp_path / "file"), tree.paths.append)
    tree.watch.unwatch(str(tmp_path / "file"))
    tree.watch.unwatch(str(tmp_path / "file"))


def test_what_is_no_longer_watched_is_told_no_more(tmp_path: Path, tree: Tree) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        tree.watch.watch(str(tmp_path / name), tree.paths.append)
        tree.ready(tmp_path / name)
    tree.watch.unwatch(str(tmp_path / "one"))
    (tmp_path / "one/clip").write_bytes(b"1")
    (tmp_path / "two/clip").write_bytes(b"1")
    until(tree.has(tmp_path / "two/clip"))
    assert not tree.has(tmp_path / "one/clip")()


def test_unwatching_while_a_tree_is_taken_in_ends_it(tmp_path: Path, tree: Tree) -> None:
    for number in range(300):
        (tmp_path / f"{number % 10}/{number}").mkdir(parents=True)
    for _ in range(20):
        tree.watch.watch(str(tmp_path), tree.paths.append)
        tree.watch.unwatch(str(tmp_path))
    until(lambda: not threads_named("watch") and not threads_named("unwatch"))
    (tmp_path / "clip").write_bytes(b"1")
    tree.watch.watch(str(tmp_path), tree.paths.append)
    tree.ready(tmp_path)
    assert tree.troubles == []


@pytest.mark.slow
def test_changes_that_the_system_drops_are_a_change_of_the_root(tmp_path: Path) -> None:
    """The watching process is held while more happens than the system keeps for it."""
    with open("/proc/sys/fs/inotify/max_queued_events", encoding="ascii") as file:
        most = int(file.read())
    with Program(tmp_path) as program:
        program.ready()
        program.process.send_signal(signal.SIGSTOP)
        for number in range(most):
            (tmp_path / f"{number % 7}").touch()
            (tmp_path / f"{number % 7}").unlink()
        program.process.send_signal(signal.SIGCONT)
        program.until(f"path {tmp_path}\n")
    assert program.process.returncode == 0
    assert program.errors == "", "watchdog's own words are kept off the screen"


@needs_namespaces
@pytest.mark.parametrize(
    ("limit", "said", "folders"),
    [
        ("max_inotify_watches=5", "To raise the bound: fs.inotify.max_user_watches.", 9),
        ("max_inotify_watches=0", "To raise the bound: fs.inotify.max_user_watches.", 1),
        ("max_inotify_instances=0", "To raise the bound: fs.inotify.max_user_instances.", 1),
    ],
)
def test_a_tree_that_the_system_lets_nobody_watch_whole_is_told(
    tmp_path: Path, limit: str, said: str, folders: int
) -> None:
    for number in range(folders):
        (tmp_path / f"{number}").mkdir()
    with Program(tmp_path, limit) as program:
        program.until(said)
    assert program.process.returncode == 0
    assert program.errors == ""


@needs_namespaces
def test_a_tree_that_just_fits_is_no_trouble(tmp_path: Path) -> None:
    (tmp_path / "roll").mkdir()
    with Program(tmp_path, "max_inotify_watches=3") as program:
        program.ready()
    assert "trouble" not in program.said


def threads_named(start: str) -> list[threading.Thread]:
    return [one for one in threading.enumerate() if one.name.startswith(start)]


class Program:
    """A watch in a process of its own, in a user namespace of its own where it has limits."""

    def __init__(self, root: Path, *limits: str) -> None:
        self.root = root
        self.said = self.errors = ""
        apart = ["unshare", "--user", "--map-root-user"] if limits else []
        self.process = subprocess.Popen(
            [*apart, sys.executable, "-c", PROGRAM, str(root), *limits],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said += line

    def ready(self) -> None:
        def heard() -> bool:
            (self.root / "first").write_bytes(b"1")
            return "path" in self.said

        until(heard)

    def until(self, words: str) -> None:
        until(lambda: words in self.said)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *told: object) -> None:
        assert self.process.stdin is not None
        assert self.process.stderr is not None
        self.process.send_signal(signal.SIGCONT)
        self.process.stdin.close()
        self.errors = self.process.stderr.read()
        self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        self.process.stderr.close()
        assert self.process.stdout is not None
        self.process.stdout.close()
