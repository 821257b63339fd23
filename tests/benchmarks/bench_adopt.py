"""Taking in what lies on a drive already, against a raw read and against a plain look, all in one run.

Large files are read twice, to learn them and to prove them, so their rate is that of all bytes that the device
gave; how often each byte was read stands beside it.
"""

import os
from collections.abc import Callable

from tests.benchmarks.conftest import Row
from tests.benchmarks.stand import MIB, Stand, cool, fill, shell

ROUNDS = int(os.environ.get("BENCH_ROUNDS", "2"))
ROLL = ("260612 Boatyard", "Originals", "Wide", "Roll 01")
MakeStand = Callable[[int], Stand]


def _filled(at: Stand, *, files: int, size: int) -> str:
    folder = at.path("main", *ROLL)
    os.makedirs(folder)
    fill(folder, files=files, size=size)
    for inside, _, names in os.walk(folder):
        for name in names:  # what is younger than the quiet time is not taken in
            os.utime(os.path.join(inside, name), (1_781_000_000, 1_781_000_000))
    at.add_drives()
    return folder


def bench_adopting_large_files(make_stand: MakeStand, row: Row) -> None:
    """Four files of 1 GiB."""
    raw, ours, readings, peak = [], [], 0.0, 0
    size = 4 * 1024 * MIB
    for _ in range(ROUNDS):
        at = make_stand(6)
        folder = _filled(at, files=4, size=1024 * MIB)
        cool(at.root)
        line = f"find '{folder}' -type f -exec dd if='{{}}' of=/dev/null iflag=direct bs=8M status=none ';'"
        raw.append(size / shell(line))
        cool(at.root)
        before = at.sectors_read("main") if at.loops else 0
        took = at.keeper("adopt", "main")
        read = at.sectors_read("main") - before if at.loops else 2 * size
        readings = read / size
        ours.append(read / took.seconds)
        peak = max(peak, took.peak_bytes)
    row(
        f"adopt 4 x 1 GiB: {max(ours) / 1e6:.0f} MB/s over {readings:.2f} readings; "
        f"dd {max(raw) / 1e6:.0f} MB/s; peak {peak / 1e6:.0f} MB",
        f"{max(ours) / max(raw):.2f} of dd",
        ">= 0.9",
        "dd iflag=direct bs=8M, file by file",
    )


def bench_the_first_look(make_stand: MakeStand, row: Row) -> None:
    """50,000 files: which of them are what, before any is read."""
    at = make_stand(2)
    folder = _filled(at, files=50_000, size=1_000)
    for state in ("cold", "warm"):
        found, looked, peak = [], [], 0
        for _ in range(ROUNDS):
            if state == "cold":
                cool(at.root)
            found.append(shell(f"find '{at.path('main')}' -printf '%p %s %T@\\n'"))
            if state == "cold":
                cool(at.root)
            took = at.keeper("adopt", "main", "--dry-run")
            looked.append(took.seconds)
            peak = max(peak, took.peak_bytes)
        row(
            f"adopt --dry-run, 50,000 files, {state} caches: {min(looked):.2f} s; "
            f"find {min(found):.2f} s; peak {peak / 1e6:.0f} MB",
            f"{min(looked) / min(found):.1f} times find",
            "<= 3",
            f"find -printf '%p %s %T@' ({len(os.listdir(os.path.join(folder, 'DCIM')))} folders)",
        )
