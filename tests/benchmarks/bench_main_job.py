"""Ratios of the main job against what one would type by hand, all in one run (issue 2, Speed).

Run by ``make bench``, never by ``make test``: a figure depends on the machine, so none fails here.
``ROUNDS`` rounds of each, the best of each side is taken.
"""

import os
from collections.abc import Callable

from tests.benchmarks.conftest import Row
from tests.benchmarks.stand import MIB, Stand, by_hand, cool, fill, shell

ROUNDS = int(os.environ.get("BENCH_ROUNDS", "2"))
MakeStand = Callable[[int], Stand]


def _offload_against_hand(
    make_stand: MakeStand, *, files: int, size: int, gib: int
) -> tuple[float, float, str]:
    ours, hands, command = [], [], ""
    for _ in range(ROUNDS):
        at = make_stand(gib)
        fill(at.path("card"), files=files, size=size)
        at.add_drives()
        hand, command = by_hand(at)
        hands.append(hand)
        shell(f"rm -r '{at.path('main', 'hand')}' '{at.path('second', 'hand')}'")
        ours.append(at.offload().seconds)
    return min(ours), min(hands), command


def bench_offload_of_large_files(make_stand: MakeStand, row: Row) -> None:
    """Two files of 1 GiB to two drives, proof included."""
    size, files = 1024 * MIB, 2
    ours, hand, command = _offload_against_hand(make_stand, files=files, size=size, gib=6)
    rate = files * size / ours / 1e6
    row(
        f"offload 2 x 1 GiB to 2 drives: {ours:.1f} s, {rate:.0f} MB/s; by hand {hand:.1f} s",
        f"{hand / ours:.2f} times as fast",
        ">= 1.5",
        command,
    )


def bench_offload_of_small_files(make_stand: MakeStand, row: Row) -> None:
    """10,000 files of 50 kB to two drives, proof included."""
    size, files = 50_000, 10_000
    ours, hand, command = _offload_against_hand(make_stand, files=files, size=size, gib=3)
    rate = files * size / ours / 1e6
    row(
        f"offload 10,000 x 50 kB to 2 drives: {ours:.1f} s, {rate:.0f} MB/s; by hand {hand:.1f} s",
        f"{hand / ours:.2f} times as fast",
        ">= 1, as for large files",
        command,
    )


def bench_verify_and_memory_of_one_large_file(make_stand: MakeStand, row: Row) -> None:
    """One file of 6 GB: peak memory of offload and verify, and verify against a plain read."""
    at = make_stand(9)
    size = 6_000_000_000
    fill(at.path("card"), files=1, size=size)
    at.add_drives()
    took = at.offload()
    _memory(row, "offload of one file of 6 GB", took.peak_bytes)
    folder = at.path("main", "260612 Boatyard", "Originals", "Wide", "Roll 01", "DCIM", "100BOATY")
    copy = os.path.join(folder, "BOAT0001.MP4")
    plain, checked, peak = [], [], 0
    for _ in range(ROUNDS):
        cool(at.root)
        plain.append(shell(f"dd if='{copy}' of=/dev/null iflag=direct bs=8M 2>/dev/null"))
        cool(at.root)
        verified = at.keeper("verify", "main")
        checked.append(verified.seconds)
        peak = max(peak, verified.peak_bytes)
    _memory(row, "verify of one file of 6 GB", peak)
    row(
        f"verify 6 GB: {min(checked):.1f} s, {size / min(checked) / 1e6:.0f} MB/s; dd {min(plain):.1f} s",
        f"{min(plain) / min(checked):.2f} of dd",
        ">= 0.9",
        "dd iflag=direct bs=8M, same file",
    )


def _memory(row: Row, what: str, peak_bytes: int) -> None:
    row(
        f"peak memory: {what}", f"{peak_bytes / 1e6:.0f} MB", "< 200 MB", "ru_maxrss of the process"
    )


def bench_memory_and_second_offload_of_many_files(make_stand: MakeStand, row: Row) -> None:
    """20,000 files: peak memory, and what a second offload with nothing new on the card reads."""
    at = make_stand(3)
    size = fill(at.path("card"), files=20_000, size=20_000)
    at.add_drives()
    _memory(row, "offload of 20,000 files", at.offload().peak_bytes)
    before = {name: at.sectors_read(name) for name in at.loops}
    again = at.offload()
    read = {name: at.sectors_read(name) - count for name, count in before.items()}
    _memory(row, "second offload of 20,000 files", again.peak_bytes)
    if not at.loops:
        row("second offload, nothing new", "not measured", "1 read of the card", "needs root")
        return
    row(
        f"second offload, nothing new: {again.seconds:.1f} s; drives read "
        f"{(read['main'] + read['second']) / size:.2f} of the card's bytes",
        f"{read['card'] / size:.2f} reads of the card",
        "1 and a little for folders",
        "sectors read, /sys/block/loopN/stat",
    )


def bench_mirror_with_nothing_to_do(make_stand: MakeStand, row: Row) -> None:
    """100,000 files that stand on both drives."""
    at = make_stand(2)
    fill(at.path("card"), files=100_000, size=1_000)
    at.add_drives()
    took = at.offload()
    _memory(row, "offload of 100,000 files", took.peak_bytes)
    for state in ("cold", "warm"):
        walked, mirrored, peak = [], [], 0
        for _ in range(ROUNDS):
            if state == "cold":
                cool(at.root)
            walked.append(shell(f"find '{at.path('main')}' -type f"))
            if state == "cold":
                cool(at.root)
            done = at.keeper("mirror")
            mirrored.append(done.seconds)
            peak = max(peak, done.peak_bytes)
        row(
            f"mirror, nothing to do, 100,000 files, {state} caches: {min(mirrored):.2f} s; "
            f"find {min(walked):.2f} s; peak {peak / 1e6:.0f} MB",
            f"{min(mirrored) / min(walked):.1f} times find",
            "< 5",
            "find MAIN -type f",
        )
