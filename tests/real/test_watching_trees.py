"""A real drive under watch can be unmounted and torn off; its device may go, and fail."""

import subprocess
from pathlib import Path

import pytest

from tests.daemon.test_tree_watch import Tree, threads_named, until
from tests.real.loopdev import loop_fs, run


@pytest.mark.real("ext4")
def test_a_watched_drive_can_be_unmounted_while_it_is_watched() -> None:
    tree = Tree()
    with loop_fs("ext4") as drive:
        root = Path(drive.point)
        for _ in range(2):
            tree.watch.watch(str(root), tree.paths.append)
            tree.ready(root)
            drive.unmount()
            tree.watch.unwatch(str(root))
            drive.mount()
    tree.watch.stop()
    assert tree.troubles == []


@pytest.mark.real("ext4")
def test_a_drive_torn_off_lets_its_device_go() -> None:
    """Lazily unmounted, as some systems do it: a watch that held it would keep the device in use."""
    tree = Tree()
    with loop_fs("ext4") as drive:
        root = Path(drive.point)
        tree.watch.watch(str(root), tree.paths.append)
        tree.ready(root)
        drive.pull()
        run("losetup", "--detach", drive.device)
        device, drive.device = drive.device, ""
        until(lambda: device not in run("losetup", "--all"))
        tree.watch.unwatch(str(root))
    tree.watch.stop()
    assert tree.troubles == []


@pytest.mark.real("xfs")
def test_a_drive_that_fails_under_the_watch_ends_in_a_sentence_at_most() -> None:
    tree = Tree()
    with loop_fs("xfs") as drive:
        root = Path(drive.point)
        (root / "roll").mkdir()
        tree.watch.watch(str(root), tree.paths.append)
        tree.ready(root)
        subprocess.run(["xfs_io", "-x", "-c", "shutdown", root], check=True)
        tree.watch.unwatch(str(root))
        tree.watch.watch(str(root), tree.paths.append)
        until(lambda: not threads_named("watch /") and not threads_named("unwatch /"))
        tree.watch.unwatch(str(root))
        tree.watch.stop()
    assert all("can't be watched" in said for said in tree.troubles)
