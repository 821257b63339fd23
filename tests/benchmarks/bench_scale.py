"""Two million files in one catalog: seconds of processor, so that a busy machine counts less, and memory.

BENCH_SCALE="200000 600000 2000000" makes catalogs of so many files (see ``scale_made``); 2 million take
2.2 GB in the folder for temporary files.
"""

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.benchmarks.conftest import Row
from tests.benchmarks.stand import CHECKOUT

SCALES = [int(one) for one in os.environ.get("BENCH_SCALE", "200000").split()]


@dataclass(frozen=True)
class Ran:
    """What a process used: seconds of processor, MB at its peak, what it printed."""

    seconds: float
    memory_mb: int
    said: bytes


def ran(folder: Path, *command: str) -> Ran:
    with subprocess.Popen(
        [sys.executable, *command],
        env={
            "PATH": os.environ["PATH"],
            "HOME": str(folder),
            "PYTHONPATH": CHECKOUT,
            "BACKUPKEEPER_CONFIG": str(folder / "config.toml"),
        },
        stdout=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        said = process.stdout.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode in {0, 1}, "no answer"
    return Ran(used.ru_utime + used.ru_stime, used.ru_maxrss // 1024, said)


@pytest.mark.parametrize("files", SCALES)
def bench_a_large_catalog(tmp_path: Path, row: Row, files: int) -> None:
    path = tmp_path / "catalog.sqlite"
    # In a process of its own: what this one had in memory would count as its children's peak.
    made = json.loads(
        ran(tmp_path, "-m", "tests.benchmarks.scale_made", str(path), str(files)).said
    )
    (tmp_path / "config.toml").write_text(f'[catalog]\npath = "{path}"\n')
    what = f"{files:,} files, {made['facts']:,} facts:"
    row(f"{what} all sums, once", f"{made['sums']:.1f} s", "", "the first question")
    gaps = ran(tmp_path, "-m", "backupkeeper", "gaps")
    row(f"{what} gaps", f"{gaps.seconds:.2f} s, {gaps.memory_mb} MB", "3 s, 300 MB", "gaps")
    status = ran(tmp_path, "-m", "backupkeeper", "status")
    figure = f"{status.seconds:.2f} s, {status.memory_mb} MB"
    row(f"{what} status, no daemon", figure, "0.5 s, 300 MB", "status")
    drawn = json.loads(ran(tmp_path, "-m", "tests.benchmarks.scale_step", str(path)).said)
    row(f"{what} planner's first step in a year", f"{drawn['first']:.2f} s", "", "draws the sample")
    step = ran(tmp_path, "-m", "tests.benchmarks.scale_step", str(path))
    took = json.loads(step.said)
    for name in ("first", "nothing new", "after a proof", "hourly"):
        row(f"{what} planner's step, {name}", f"{took[name]:.2f} s", "1 s", "run")
    row(f"{what} planner's memory", f"{step.memory_mb} MB", "300 MB", "run")
    beside = json.loads(ran(tmp_path, "-m", "tests.benchmarks.scale_daemon", str(path)).said)
    row(f"{what} daemon, to its first answer", f"{beside['began']:.2f} s", "", "run")
    figure = f"{beside['status']:.2f} s, {beside['busy']:.3f} s of the daemon's"
    row(f"{what} status, a daemon runs", figure, "0.5 s", f"{beside['seconds']:.2f} s in all")
    size = path.stat().st_size
    row(f"{what} catalog", f"{size / 1e9:.2f} GB", "2.5 GB", f"{size / files:.0f} bytes a file")


@pytest.mark.parametrize("files", SCALES)
def bench_years_of_facts_thinned(tmp_path: Path, row: Row, files: int) -> None:
    """Three places, six yearly proofs of everything; another program writes all the while."""
    path = tmp_path / "catalog.sqlite"
    step = ("-m", "tests.benchmarks.thinning_step")
    made = json.loads(ran(tmp_path, *step, "make", str(path), str(files)).said)
    what = f"{files:,} files, {made['facts']:,} facts:"
    left = made["facts"]
    for name in ("thinned", "thinned again"):
        told = json.loads(ran(tmp_path, *step, "thin", str(path)).said)
        left -= told["went"]
        figure = (
            f"{told['seconds']:.0f} s, {told['processor']:.0f} s of processor, {told['memory']} MB"
        )
        row(f"{what} {name}, {told['went']:,} went, {left:,} left", figure, "300 MB", "thin")
        waited = f"{told['waited']:.2f} s at most, {told['waited usually']:.3f} s usually"
        row(f"{what} {name}, another writer waited", waited, "2 s", f"{told['written']:.0f} times")
