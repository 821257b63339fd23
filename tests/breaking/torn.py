"""What befalls a file system under a program at work: torn off, without power, read-only, full, untrue."""

import os
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from random import Random
from subprocess import CalledProcessError
from typing import Final

from backupkeeper.ports.files import Handle
from backupkeeper.system.files import RealFiles
from tests.breaking.moments import Moment, at_moment
from tests.breaking.on_drives import DriveScene
from tests.breaking.sick import Came, Typed
from tests.real.loopdev import LoopFs, run

PATIENCE_S: Final = 60.0
PAGE: Final = 4096


def pull(system: LoopFs) -> None:
    """Unmount it at once, whoever uses it: its folder is empty then."""
    system.pull()


def fail(system: LoopFs) -> None:
    """Its device answers nothing but errors."""
    run("xfs_io", "-x", "-c", "shutdown", system.point)


def make_read_only(system: LoopFs) -> None:
    """As the kernel does after an error of its own (or a card's lock switch)."""
    # A file that is open for writing keeps it from that: then it fails instead.
    try:
        run("mount", "-o", "remount,ro", system.point)
    except CalledProcessError:
        fail(system)


def fill_up(system: LoopFs) -> None:
    """Somebody else takes all the room that there is."""
    with suppress(CalledProcessError):
        run("dd", "if=/dev/zero", f"of={system.point}/hog", "bs=1M")


MISFORTUNES: Final[dict[str, Callable[[LoopFs], None]]] = {
    "is torn off": pull,
    "fails": fail,
    "becomes read-only": make_read_only,
    "is full": fill_up,
}


def put_right(system: LoopFs) -> None:
    """The device is well again, and mounted."""
    with suppress(CalledProcessError):
        system.unmount()
    with suppress(CalledProcessError):
        run("mountpoint", "-q", system.point)
        return
    left = sorted(os.listdir(system.point))
    shutil.rmtree(system.point)
    os.mkdir(system.point)
    system.mount()
    # (Nobody asks whether the catalog's folder is still on the disk that it was on.)
    assert not [one for one in left if not one.startswith("catalog.sqlite")], "it was written to"
    with suppress(FileNotFoundError):
        Path(system.point, "hog").unlink()


def befallen(
    typed: Typed, moment: Moment, misfortune: Callable[[], None], log: Path
) -> tuple[Came, bool]:
    """Type it, stop it at a moment, let something happen, and let it go on; whether the moment came."""
    came = False

    def meanwhile(process: int) -> None:
        nonlocal came
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end and not _has_ended(process):
            if not came and "stopped by SIGSTOP" in _text(log):
                misfortune()
                came = True
            if came:  # each thread that comes to this call stops all of them once
                os.kill(process, signal.SIGCONT)
            time.sleep(0.01)
        os.kill(process, signal.SIGCONT)

    options = at_moment(moment, "signal=STOP")
    return typed.done(log, options, meanwhile), came


def _text(log: Path) -> str:
    with suppress(FileNotFoundError):
        return log.read_text(errors="replace")
    return ""


def _has_ended(process: int) -> bool:
    return os.waitid(os.P_PID, process, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


@contextmanager
def in_the_end_right(scene: DriveScene, name: str) -> Iterator[None]:
    """Whatever happens in between, the file system is there again afterwards."""
    try:
        yield
    finally:
        put_right(scene.systems[name])


class Sparing(RealFiles):
    """Reads and writes less than it is asked for, as a system may (read(2), write(2)).

    Args:
        seed: how much less.
    """

    def __init__(self, seed: int) -> None:
        self._chance = Random(seed)
        self._lock = threading.Lock()

    def _some(self, most: int) -> int:
        with self._lock:
            return self._chance.randint(1, most)

    def read_into(self, handle: Handle, buffer: memoryview, offset: int) -> int:
        """Whole pages, for those that by-pass the cache."""
        pages = len(buffer) // PAGE
        return super().read_into(
            handle, buffer[: self._some(pages) * PAGE] if pages else buffer, offset
        )

    def write_at(self, handle: Handle, data: memoryview, offset: int) -> int:
        """Any number of bytes, mostly many."""
        return super().write_at(handle, data[: self._some(len(data))] if data else data, offset)


class Lying(RealFiles):
    """A drive that says yes to every sync, and does nothing for it.

    Args:
        root: where it is mounted.
    """

    def __init__(self, root: str) -> None:
        self._root = root

    def _lies(self, path: str) -> bool:
        return f"{path}/".startswith(f"{self._root}/")

    def sync(self, handle: Handle) -> None:
        """Yes."""
        if not self._lies(os.readlink(f"/proc/self/fd/{handle}")):
            super().sync(handle)

    def sync_tree(self, path: str) -> None:
        """Yes."""
        if not self._lies(path):
            super().sync_tree(path)

    def sync_folder(self, path: str) -> None:
        """Yes."""
        if not self._lies(path):
            super().sync_folder(path)
