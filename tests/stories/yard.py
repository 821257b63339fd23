"""The boat yard: cards, drives and a keeper on real folders, with a clock that is set by hand."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from backupkeeper.core.mending import RepairOutcome
from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import (
    MirrorOutcome,
    OffloadOutcome,
    Verdict,
    VerifyOutcome,
)
from backupkeeper.ports.progress import Quiet
from backupkeeper.wiring import Keeper, load_config

SHOOT = "260612 Boatyard"
QUIET = Quiet()
NO_CLOUD = 'distinct_devices = false\nwipe_needs = ["primary", "secondary"]'


@dataclass
class HandClock:
    """A clock that moves a little with every look, and further by hand."""

    at: datetime = datetime(2026, 6, 12, 18, 0, tzinfo=UTC)

    def now(self) -> datetime:
        self.at += timedelta(milliseconds=1)
        return self.at

    def monotonic(self) -> float:
        return self.at.timestamp()


@dataclass
class Yard:
    """Made below one folder; every part is real but the time of day."""

    root: Path
    policy: str = NO_CLOUD
    clock: HandClock = field(default_factory=HandClock)

    def __post_init__(self) -> None:
        config = f'[catalog]\npath = "{self.root}/catalog.sqlite"\n[policy]\n{self.policy}\n'
        (self.root / "config.toml").write_text(config)

    @contextmanager
    def keeper(self) -> Iterator[Keeper]:
        config = load_config(str(self.root / "config.toml"), {"HOME": str(self.root)})
        with Keeper(config, clock=self.clock) as keeper:
            yield keeper

    def drive(self, name: str, role: Role) -> Path:
        path = self.root / name
        path.mkdir(exist_ok=True)
        with self.keeper() as keeper:
            keeper.add_drive(str(path), role=role, name=name, folder=True)
        return path

    def drives(self) -> tuple[Path, Path]:
        return self.drive("Main", Role.PRIMARY), self.drive("Travel", Role.SECONDARY)

    def card(self, name: str, files: dict[str, bytes]) -> Path:
        card = self.root / name
        card.mkdir(exist_ok=True)
        for path, data in files.items():
            (card / path).parent.mkdir(parents=True, exist_ok=True)
            (card / path).write_bytes(data)
        return card

    def offload(self, card: Path, source: str = "Wide", roll: str | None = None) -> OffloadOutcome:
        with self.keeper() as keeper:
            return keeper.offload(str(card), shoot=SHOOT, source=source, roll=roll, progress=QUIET)

    def mirror(self) -> MirrorOutcome:
        with self.keeper() as keeper:
            return keeper.mirror(progress=QUIET)

    def verify(self, what: str | None = None) -> VerifyOutcome:
        with self.keeper() as keeper:
            return keeper.verify(what, progress=QUIET)

    def repair(
        self,
        what: str | None = None,
        *,
        dry_run: bool = False,
        edited: bool = False,
        in_doubt: bool = False,
    ) -> RepairOutcome:
        with self.keeper() as keeper:
            return keeper.repair(
                what, dry_run=dry_run, edited=edited, in_doubt=in_doubt, progress=QUIET
            )

    def verdict(self, card: Path) -> Verdict:
        with self.keeper() as keeper:
            return keeper.may_wipe(str(card), progress=QUIET)

    def gaps_of(self, roll: str) -> tuple[Role, ...]:
        with self.keeper() as keeper:
            return next(one.gaps for one in keeper.gaps().rolls if one.roll.name == roll)


def roll_folder(drive: Path, roll: str = "Roll 01", source: str = "Wide") -> Path:
    return drive / SHOOT / "Originals" / source / roll


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, without the manifests and the catalog's snapshots."""
    found = {}
    for path in sorted(folder.rglob("*")):
        relative = path.relative_to(folder)
        if path.is_file() and {"ascmhl", "catalog"}.isdisjoint(relative.parts):
            found[str(relative)] = path.read_bytes()
    return found


def rot(path: Path, at: int, data: bytes) -> None:
    """Other bytes, with size and time as they were: what a bad sector leaves."""
    before = path.stat()
    with path.open("r+b") as file:
        file.seek(at)
        file.write(data)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def clip(seed: int, size: int = 300_000) -> bytes:
    """Bytes that differ for every seed, quickly made."""
    piece = seed.to_bytes(8, "big") * 128
    return (piece * (size // len(piece) + 1))[:size]
