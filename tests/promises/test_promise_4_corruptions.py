"""Random corruptions as they really happen: all found, located to the byte, mended from one copy.

The kinds are those of STANDARDS section 5.1: runs of a 512-byte sector, a 4 KiB page, 64 KiB; blocks
swapped or stale; truncation; tails of zeros; single bits. Among them are edits and files that were
only touched: none of them may be called rot, and no rot an edit.

``BACKUPKEEPER_CORRUPTIONS=10000`` tries so many, and one file of 1 GB; usually some hundreds.
"""

import os
import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from backupkeeper.core import harm
from backupkeeper.core.outcomes import Finding
from tests.stories.yard import Yard, roll_folder

COUNT = int(os.environ.get("BACKUPKEEPER_CORRUPTIONS", "400"))
AT_ONCE = 100
KiB, MiB = 1024, 1024 * 1024
SEED = 20260612


@dataclass(frozen=True)
class Hurt:
    """What was done: the finding that it should be, and where bytes may differ."""

    finding: Finding
    windows: tuple[tuple[int, int], ...] = ()
    cut_to: int | None = None


PIECE = 1 << 24


def run_of(length: int) -> Callable[[random.Random, bytearray], Hurt]:
    """A run of a device's unit: zeros, other bytes, or all bits set."""

    def damage(chance: random.Random, data: bytearray) -> Hurt:
        start = chance.randrange(-(-len(data) // length)) * length
        end = min(start + length, len(data))
        kind = chance.choice(["zeros", "random", "ones"])
        fill = {"zeros": bytes(end - start), "ones": b"\xff" * (end - start)}
        data[start:end] = fill.get(kind) or chance.randbytes(end - start)
        return Hurt(Finding.DAMAGED, ((start, end),))

    return damage


def swapped(chance: random.Random, data: bytearray) -> Hurt:
    """Two blocks at each other's place."""
    length = chance.choice([512, 4 * KiB, 64 * KiB])
    blocks = len(data) // length
    if blocks < 2:
        return one_bit(chance, data)
    one, two = sorted(chance.sample(range(blocks), 2))
    first, second = one * length, two * length
    data[first : first + length], data[second : second + length] = (
        data[second : second + length],
        data[first : first + length],
    )
    return Hurt(Finding.DAMAGED, ((first, first + length), (second, second + length)))


def stale(chance: random.Random, data: bytearray) -> Hurt:
    """What stood there before: bytes of another file."""
    length = min(len(data), chance.choice([512, 4 * KiB, 64 * KiB]))
    start = chance.randrange(len(data) - length + 1) // 512 * 512
    data[start : start + length] = random.Random(chance.random()).randbytes(length)
    return Hurt(Finding.DAMAGED, ((start, start + length),))


def zero_tail(chance: random.Random, data: bytearray) -> Hurt:
    """The end was never written."""
    length = chance.randint(1, min(len(data), 256 * KiB))
    data[-length:] = bytes(length)
    return Hurt(Finding.DAMAGED, ((len(data) - length, len(data)),))


def one_bit(chance: random.Random, data: bytearray) -> Hurt:
    at = chance.randrange(len(data))
    data[at] ^= 1 << chance.randrange(8)
    return Hurt(Finding.DAMAGED, ((at, at + 1),))


def truncated(chance: random.Random, data: bytearray) -> Hurt:
    size = chance.randrange(len(data))
    del data[size:]
    return Hurt(Finding.CUT_OFF, cut_to=size)


def edited(chance: random.Random, data: bytearray) -> Hurt:
    """By a person: other bytes, and the time of now."""
    at = chance.randrange(len(data))
    data[at] ^= 0xFF
    if chance.random() < 0.5:
        data += b"a comment"
    return Hurt(Finding.CHANGED)


def touched(_chance: random.Random, _data: bytearray) -> Hurt:
    return Hurt(Finding.MATCHES)


KINDS: list[Callable[[random.Random, bytearray], Hurt]] = [
    run_of(512), run_of(4 * KiB), run_of(64 * KiB), swapped, stale, truncated, zero_tail, one_bit,
    edited, touched,
]  # fmt: skip


def where(before: bytes, after: bytes, hurt: Hurt) -> tuple[tuple[int, int], ...]:
    """Byte by byte, and runs with less than a sector between them as one: written again, plainly."""
    bad = [at for begin, end in hurt.windows for at in range(begin, end) if before[at] != after[at]]
    if hurt.cut_to is not None:
        return ((hurt.cut_to, len(before)),)
    spans: list[list[int]] = []
    for at in sorted(bad):
        if spans and at - spans[-1][1] < 512:
            spans[-1][1] = at + 1
        else:
            spans.append([at, at + 1])
    return tuple((begin, end) for begin, end in spans)


def corrupt(path: Path, chance: random.Random) -> tuple[Hurt, tuple[tuple[int, int], ...]]:
    before, stat = path.read_bytes(), path.stat()
    data = bytearray(before)
    hurt = chance.choice(KINDS)(chance, data)
    path.write_bytes(data)
    if hurt.finding in {Finding.DAMAGED, Finding.CUT_OFF}:
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    if bytes(data) == before:
        return Hurt(Finding.MATCHES), ()
    return hurt, where(before, bytes(data), hurt)


def sizes(chance: random.Random, count: int) -> list[int]:
    """From 1 byte to 16 MiB (several blocks), as many small ones as large ones."""
    made = [int(2 ** chance.uniform(0, 24)) for _ in range(count - 4)]
    return [*made, 1, 4 * MiB, 4 * MiB + 1, 8 * MiB]


def taken_in(tmp_path: Path, chance: random.Random, lengths: list[int]) -> tuple[Yard, Path]:
    yard = Yard(tmp_path)
    main, _ = yard.drives()
    card = yard.card("card", {})
    (card / "DCIM").mkdir()
    for number, length in enumerate(lengths):
        with (card / f"DCIM/C{number:04}.BIN").open("wb") as clip:
            for start in range(0, length, PIECE):  # more at once is too much for randbytes
                clip.write(chance.randbytes(min(PIECE, length - start)))
    yard.offload(card)
    return yard, roll_folder(main)


def one_round(yard: Yard, main: Path, travel: Path, chance: random.Random) -> int:
    """Hurt every file on Main, find it all, mend it all; how many files."""
    done = {path: corrupt(path, chance) for path in sorted((main / "DCIM").iterdir())}
    found = {Path(one.path).name: one for one in yard.verify("Main").checked}
    for path, (hurt, damage) in done.items():
        if hurt.finding is Finding.MATCHES:
            assert path.name not in found, f"{path.name} is well"
            continue
        one = found.pop(path.name)
        assert one.finding is hurt.finding, f"{path.name}: {one.finding}, {hurt}"
        if hurt.finding is not Finding.CHANGED:
            assert one.damage == damage, f"{path.name}: {hurt}"
    assert not found
    outcome = yard.repair(edited=True, in_doubt=True)
    rotten = sum(hurt.finding is not Finding.MATCHES for hurt, _ in done.values())
    assert (len(outcome.mended), outcome.unmended) == (rotten, ())
    for path in done:
        first = (travel / "DCIM" / path.name).stat()
        os.utime(path, ns=(first.st_atime_ns, first.st_mtime_ns))  # what was only touched
        assert path.read_bytes() == (travel / "DCIM" / path.name).read_bytes()
    assert yard.verify("Main").all_well
    return len(done)


@pytest.fixture(autouse=True)
def one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """That so much at once puts a drive in doubt is tried elsewhere."""
    monkeypatch.setattr(harm, "SUDDEN_FILES", 1 << 30)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(max(1, COUNT // (2 * AT_ONCE))))
def test_every_corruption_is_found_located_and_mended(tmp_path: Path, part: int) -> None:
    chance = random.Random(SEED + part)
    yard, main = taken_in(tmp_path, chance, sizes(chance, AT_ONCE))
    travel = roll_folder(yard.root / "Travel")
    tried = sum(one_round(yard, main, travel, chance) for _ in range(2))
    assert tried == 2 * AT_ONCE


@pytest.mark.slow
@pytest.mark.skipif(COUNT < 10_000, reason="a file of 1 GB: with BACKUPKEEPER_CORRUPTIONS=10000")
def test_a_file_of_a_gigabyte_too(tmp_path: Path) -> None:
    chance = random.Random(SEED)
    yard, main = taken_in(tmp_path, chance, [10**9])
    for _ in range(3):
        one_round(yard, main, roll_folder(yard.root / "Travel"), chance)
