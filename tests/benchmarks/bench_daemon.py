"""The daemon at rest and at the moment when a card is plugged in.

Measured in one run beside a general-purpose yardstick: a process of the same Python that only sleeps.
"""

import os
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from tests.benchmarks.conftest import Row
from tests.real.daemon_stand import CARD, DaemonStand
from tests.real.loopdev import LoopFs
from tests.stories.yard import clip

IDLE_S = float(os.environ.get("BENCH_IDLE_S", "60"))
"""The promise is about ten minutes: BENCH_IDLE_S=600, on a machine where nobody else mounts anything."""
SLEEPER = "import time; time.sleep(3600)"


def first_byte(drives: list[LoopFs], patience_s: float = 20.0) -> float:
    """Seconds from now until a file of the card has a byte on a drive."""
    begun = time.perf_counter()
    while time.perf_counter() - begun < patience_s:
        for drive in drives:
            for path in Path(drive.point).rglob("*"):
                try:
                    found = path.stat().st_size > 0 and path.is_file()
                except OSError:
                    continue
                if found and ".backupkeeper" not in path.relative_to(drive.point).parts:
                    return time.perf_counter() - begun
    return patience_s


def used(process: psutil.Process) -> float:
    times = process.cpu_times()
    return times.user + times.system + times.children_user + times.children_system


@pytest.mark.real("ext4", "xfs")
def bench_a_card_plugged_in_and_then_rest(tmp_path: Path, row: Row) -> None:
    with DaemonStand(tmp_path) as stand:
        drives = [
            stand.drive("ext4", "primary", "Main", 400),
            stand.drive("xfs", "secondary", "Travel", 400),
        ]
        stand.drive("ext4", "secondary", "Spare", 300)
        card = stand.card("ext4", {**CARD, "DCIM/LARGE.MP4": clip(9, 50_000_000)})
        with stand.running() as daemon:
            daemon.wait_for("Main is here", "Travel is here", "Spare is here")
            time.sleep(3)
            card.mount(options="ro")
            seconds = first_byte(drives)
            row("card mounted to first byte on a drive", f"{seconds:.2f} s", "< 2 s", "run")
            daemon.wait_for("this card may be wiped")
            time.sleep(10)
            with subprocess.Popen([sys.executable, "-c", SLEEPER]) as sleeper:
                ours, yardstick = psutil.Process(daemon.process.pid), psutil.Process(sleeper.pid)
                before, before_it, begun = used(ours), used(yardstick), time.perf_counter()
                time.sleep(IDLE_S)
                passed = time.perf_counter() - begun
                share = 100 * (used(ours) - before) / passed
                its = 100 * (used(yardstick) - before_it) / passed
                memory = ours.memory_info().rss / 1e6
                sleeping = yardstick.memory_info().rss / 1e6
                sleeper.kill()
    row(
        f"idle for {passed:.0f} s with three drives; a Python that sleeps: {its:.3f} %",
        f"{share:.3f} % of a core",
        "< 0.2 %",
        "run",
    )
    row(
        f"memory of the idle daemon; a Python that sleeps: {sleeping:.0f} MB",
        f"{memory:.0f} MB",
        "< 100 MB",
        "run",
    )
