"""Two real drives from before this program, laid out by two habits, adopted by the real commands."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.real.loopdev import LoopFs, loop_fs
from tests.stories.yard import clip, tree

pytestmark = [pytest.mark.slow, pytest.mark.real("ext4"), pytest.mark.real("exfat")]
CARD = {"DCIM/100BOATY/BOAT0001.MP4": clip(1, 5_000_000), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}
SOUND = {"0001.WAV": clip(3), "0002.WAV": clip(4)}
HABITS = {
    "Main": {"2026-06-12 Boatyard/Wide/Card 1": CARD, "2026-06-12 Boatyard/Recorder/Tape 1": SOUND},
    "Travel": {"Copies/260612_boats/A001": CARD, "Copies/260612_boats/S001": SOUND},
}
OLD = 1_781_000_000


def put(drive: LoopFs, habit: dict[str, dict[str, bytes]]) -> None:
    for folder, files in habit.items():
        for path, data in files.items():
            file = Path(drive.point) / folder / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(data)
            os.utime(file, (OLD, OLD))
        with (Path(drive.point) / folder / "MD5SUMS").open("wb") as sums:
            subprocess.run(
                ["md5sum", "--", *files], cwd=Path(drive.point) / folder, stdout=sums, check=True
            )
        os.utime(Path(drive.point) / folder / "MD5SUMS", (OLD, OLD))


def command(root: Path, *words: str) -> list[str]:
    return [sys.executable, "-m", "backupkeeper", "--config", str(root / "config.toml"), *words]


def typed(root: Path, *words: str, code: int = 0) -> dict[str, object]:
    done = subprocess.run(command(root, *words, "--json"), capture_output=True, check=False)
    assert done.returncode == code, (done.stdout, done.stderr)
    found: dict[str, object] = json.loads(done.stdout)
    return found


def test_two_habits_are_one_yard(tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text(
        f'[catalog]\npath = "{tmp_path}/catalog.sqlite"\n'
        '[policy]\ndistinct_devices = false\nroles = ["primary", "secondary"]\nwipe_needs = ["primary", "secondary"]\n'
    )
    with loop_fs("ext4") as main, loop_fs("exfat", 64) as travel:
        for drive, name, role in ((main, "Main", "primary"), (travel, "Travel", "secondary")):
            put(drive, HABITS[name])
            drive.remount()
            subprocess.run(
                command(tmp_path, "place", "add", drive.point, "--role", role, "--name", name),
                check=True,
                capture_output=True,
            )
        before = {drive.point: tree(Path(drive.point)) for drive in (main, travel)}
        looked = typed(tmp_path, "adopt", "Main", "--dry-run", "--rate", "100")
        assert len(looked["rolls"]) == 2  # type: ignore[arg-type]  # a list of rolls
        killed = subprocess.Popen(
            command(tmp_path, "adopt", "Main"), stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        # By its first word about a roll it is reading; wherever it is then, it is killed.
        assert killed.stderr is not None
        killed.stderr.read(1)
        killed.send_signal(signal.SIGKILL)
        killed.communicate()
        one = typed(tmp_path, "adopt", "Main")
        other = typed(
            tmp_path, "adopt", "Travel", "Copies", "--layout", "{shoot}/{roll}", "--source", "Cam"
        )
        for found in (one, other):
            for roll in found["taken_in"]:  # type: ignore[attr-defined]  # a list of rolls
                assert (roll["proven"], roll["not_cold"]) == (roll["files"], "")
                assert roll["confirmed"] == 2
        homes = {roll["roll_folder"] for roll in other["taken_in"]}  # type: ignore[attr-defined]  # as above
        assert homes == set(HABITS["Main"])
        assert typed(tmp_path, "gaps")["version"] == 1
        assert typed(tmp_path, "mirror")["copied_files"] == 0
        assert {drive.point: tree(Path(drive.point)) for drive in (main, travel)} == before
        travel.remount()
        assert typed(tmp_path, "verify", "Travel")["matching_files"] == 6
