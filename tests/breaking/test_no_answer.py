"""A read that never returns: the daemon gives it up and goes on with other drives, a person is told.

The image of a drive lies on a file system of our own (FUSE), which stops answering: the loop device waits,
and whoever reads the drive with it, in a wait that no kill ends (state ``D``).
"""

import fcntl
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from backupkeeper.core.model import Role
from backupkeeper.wiring import open_keeper
from tests.real.daemon_stand import CARD, RECORDED_S, DaemonStand, originals
from tests.real.fuse_with_holes import BadDrive, bad_drive
from tests.stories.yard import QUIET, SHOOT, clip

pytestmark = [pytest.mark.slow, pytest.mark.real("fuse", "ext4", "xfs")]
IMPATIENT: Final = (
    "from backupkeeper.daemon import crew, loop; "
    "crew.STUCK_S, crew.LOOKS_S, loop.TICK_S = 3.0, 0.2, 0.5; "
)
"""The daemon's patience, in seconds instead of minutes."""
TYPED: Final = (
    "import sys; from backupkeeper.cli import patience; from backupkeeper.cli.main import main; "
    "patience.EVERY_S, patience.TELL_S, patience.GIVE_UP_S = 0.2, 1.0, float(sys.argv[1]); "
    "main(sys.argv[2:])"
)
"""The same of a command; its first argument: when it gives up."""
BIG: Final = {"DCIM/100BOATY/BOAT0009.MP4": clip(9, 40_000_000)}
PATIENCE_S: Final = 60.0


@contextmanager
def sick_drive(folder: Path, point: Path, files: dict[str, bytes]) -> Iterator[BadDrive]:
    """A drive with files, mounted away from the file system that holds its image."""
    folder.mkdir()
    with bad_drive(str(folder), "ext4", 160) as bad:
        bad.drive.unmount()
        point.mkdir()
        bad.drive.point = bad.point = str(point)
        bad.drive.mount()
        for path, data in files.items():
            whole = point / path
            whole.parent.mkdir(parents=True, exist_ok=True)
            whole.write_bytes(data)
            os.utime(whole, (RECORDED_S, RECORDED_S))
        bad.drive.remount()
        try:
            yield bad
        finally:
            bad.set([])  # everybody who waits is answered


def test_a_card_that_gives_no_answer_does_not_hold_up_other_cards_and_drives(
    tmp_path: Path,
) -> None:
    with DaemonStand(tmp_path, before=IMPATIENT) as stand:
        main = stand.drive("ext4", "primary", "Main")
        travel = stand.drive("xfs", "secondary", "Travel")
        good = stand.card("ext4")
        point = stand.media / "SICK"
        with sick_drive(tmp_path / "sick", point, BIG) as bad:
            bad.hurt(str(point / next(iter(BIG))), [(20_000_000, 21_000_000)], waits=True)
            with stand.running() as daemon:
                daemon.wait_for("gives no answer", "offload Wide to Main and Travel begins")
                good.mount(options="ro")
                daemon.wait_for("this card may be wiped")
                said = daemon.said()
                assert any(f"A device gives no answer ({point}/DCIM" in one for one in said), said
                assert f"{point}: It gave no answer" in " ".join(
                    stand.typed("status", code=None).split()
                )
                assert daemon.end() < 5
            bad.set([])
        assert not any("Traceback" in one for one in said)
        for drive in (main, travel):
            there = originals(drive)
            assert [data for path, data in there.items() if path.endswith("0001.MP4")] == [
                CARD["DCIM/100BOATY/BOAT0001.MP4"]
            ]
            assert not any(path.endswith("0009.MP4") for path in there)


@dataclass
class Desk:
    """Main holds a roll, and gives no answer in the midst of a clip, while ``verify`` is typed."""

    root: Path
    bad: BadDrive
    clip: Path
    environ: dict[str, str]

    @contextmanager
    def verifying(self, *, give_up_s: float) -> Iterator["subprocess.Popen[str]"]:
        """It is answered in the end, or it would stay for ever."""
        with subprocess.Popen(
            [sys.executable, "-c", TYPED, str(give_up_s), "verify"],
            env=self.environ,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            try:
                yield process
            finally:
                self.bad.set([])

    def heard(self, process: "subprocess.Popen[str]", *parts: str) -> str:
        """Its standard error up to a line with these words (a hang ends by the test's time limit)."""
        assert process.stderr is not None
        said = ""
        for line in process.stderr:
            said += line
            if all(part in line for part in parts):
                return said
        raise AssertionError(said)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    point = tmp_path / "media/MAIN"
    with DaemonStand(tmp_path) as stand, sick_drive(tmp_path / "sick", point, {}) as bad:
        card = tmp_path / "card"
        for path, data in (CARD | BIG).items():
            (card / path).parent.mkdir(parents=True, exist_ok=True)
            (card / path).write_bytes(data)
        with open_keeper(str(tmp_path / "config.toml"), {"HOME": str(tmp_path)}) as keeper:
            keeper.add_drive(str(point), role=Role.PRIMARY, name="Main", folder=False)
            keeper.offload(str(card), shoot=SHOOT, source="Wide", roll=None, progress=QUIET)
        clip_there = point / SHOOT / "Originals/Wide/Roll 01" / next(iter(BIG))
        bad.drive.remount()
        bad.hurt(str(clip_there), [(20_000_000, 21_000_000)], waits=True)
        yield Desk(tmp_path, bad, clip_there, stand.environ)


def test_a_person_is_told_what_gives_no_answer_and_goes_on_when_it_does(desk: Desk) -> None:
    with desk.verifying(give_up_s=600.0) as process:
        desk.heard(process, "No answer for a minute", str(desk.clip), "Unplug it")
        assert process.poll() is None
        desk.bad.set([])
        out, err = process.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in out + err
    assert process.returncode == 0, out + err


def is_free(lock: Path) -> bool:
    with lock.open() as held, suppress(BlockingIOError):
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return True
    return False


def test_after_a_while_a_command_gives_up_and_holds_nothing(desk: Desk) -> None:
    with desk.verifying(give_up_s=3.0) as process:
        desk.heard(process, "has given no answer for", str(desk.clip), "was given up")
        end = time.monotonic() + PATIENCE_S
        while not all(map(is_free, (desk.root / "catalog.sqlite.locks").iterdir())):
            assert time.monotonic() < end, "it still holds a place"
            time.sleep(0.05)
        desk.bad.set([])
        out, err = process.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in out + err
    assert process.returncode == 3


def test_who_is_kept_waiting_can_stop_it(desk: Desk) -> None:
    with desk.verifying(give_up_s=600.0) as process:
        desk.heard(process, "No answer for a minute")
        process.send_signal(signal.SIGINT)
        desk.heard(process, "Stopped.", "repeat the same command")
        desk.bad.set([])
        out, err = process.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in out + err
    assert process.returncode == 3
