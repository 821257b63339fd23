"""Somebody else on a real drive is told from our own reading, by the kernel's own counts.

Time is handed in: a sample every five seconds of it; the bytes are real.
"""

import os
import subprocess
from pathlib import Path

import pytest

from backupkeeper.core.activity import SAID, SAMPLE_S, Activity, Sample
from backupkeeper.drives.activity import bytes_passed, disk_of
from tests.real.loopdev import LoopFs, loop_fs

SIZE = 48 << 20


class Stand:
    def __init__(self, drive: LoopFs) -> None:
        self.drive, self.disk = drive, disk_of(drive.device)
        self.activity = Activity()
        self.at_s, self.ours = 0.0, 0
        self.clip = Path(drive.point) / "clip"
        self.clip.write_bytes(os.urandom(SIZE))
        drive.remount()
        self.sample()

    def sample(self) -> dict[str, str]:
        """Five seconds later; who is busy then."""
        self.at_s += SAMPLE_S
        passed = bytes_passed()
        self.activity.take(Sample(at_s=self.at_s, passed=passed, ours={self.disk: self.ours}))
        return self.activity.busy

    def read_ours(self) -> None:
        """As a proof does: from the medium, and counted."""
        before = bytes_passed()[self.disk]
        self.drive.remount()
        self.ours += len(self.clip.read_bytes())
        assert bytes_passed()[self.disk] - before >= SIZE, "it came from the medium"

    def read_theirs(self) -> None:
        words = ["dd", f"if={self.drive.device}", "of=/dev/null", "bs=1M", "count=48"]
        subprocess.run([*words, "iflag=direct"], check=True, capture_output=True)


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param("ext4", marks=pytest.mark.real("ext4")),
        pytest.param("exfat", marks=pytest.mark.real("exfat")),  # read by another process: FUSE
    ],
)
def test_our_own_reading_is_nobody_elses_and_somebody_beside_us_is_seen(kind: str) -> None:
    with loop_fs(kind, 96) as drive:
        stand = Stand(drive)
        for _ in range(4):
            stand.read_ours()
            assert stand.disk not in stand.sample()
        for _ in range(2):
            assert stand.disk not in stand.activity.busy
            stand.read_ours()
            stand.read_theirs()
            stand.sample()
        assert stand.activity.busy[stand.disk] == SAID
        for _ in range(5):
            stand.read_ours()
            assert stand.disk in stand.sample(), "not calm for long enough"
        stand.sample()
        assert stand.disk not in stand.activity.busy
