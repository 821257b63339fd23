"""A stop at any system call or catalog write of a deed about one roll: whole facts, taken up again.

A worker is stopped by a KeyboardInterrupt in whatever it is doing (SIGTERM and the end of its orders
come to that). So it is raised here in every part of the work in turn, also inside the pipeline's
threads, before a call and after it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

import pytest

from backupkeeper.actions.context import Context
from backupkeeper.actions.mirror import mirror_roll
from backupkeeper.actions.offload import offload
from backupkeeper.actions.offload_plan import Request
from backupkeeper.actions.verify import prove_roll
from backupkeeper.core.model import CopyState, Result, Role
from backupkeeper.ports.catalog import Catalog
from backupkeeper.ports.files import Files
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer import batches
from backupkeeper.transfer.durable import is_temp_name
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, SHOOT, clip, roll_folder, tree
from tests.world.killing import Faults

MiB = 1 << 20
CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 5 * MiB + 7),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2, MiB + 1),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "MISC/INDEX.DAT": b"",
}
PARTS = 10
"""The stops are spread over the whole of the work, in so many steps."""


@dataclass
class Stage:
    """A yard in which a deed has everything that it needs."""

    yard: ScopedYard
    card: Path
    since: Any = None

    def mirror(self, context: Context) -> None:
        target, source = self.of(context, "Travel"), self.of(context, "Main")
        (head,) = context.catalog.rolls()
        mirror_roll(context, head.id, target=target, source=source, progress=QUIET)

    def prove(self, context: Context) -> None:
        (head,) = context.catalog.rolls()
        prove_roll(
            context,
            self.of(context, "Main"),
            head.id,
            proven_before=self.since,
            budget_s=None,
            progress=QUIET,
        )

    def offload(self, context: Context) -> None:
        onto = frozenset({self.of(context, "Main"), self.of(context, "Travel")})
        request = Request(card=str(self.card), shoot=SHOOT, source="Wide", roll=None, onto=onto)
        assert offload(context, request, QUIET).troubles == ()

    def of(self, context: Context, name: str) -> Any:
        return next(one.id for one in context.catalog.places() if one.name == name)


def staged(root: Path, deed: str) -> Stage:
    """Before the deed: nothing, a roll on one drive, or a roll whose proofs grew old."""
    root.mkdir()
    yard = ScopedYard(root)
    yard.drive("Main", Role.PRIMARY)
    card = yard.card("card", CARD)
    (card / "EMPTY").mkdir()
    if deed != "offload":
        assert yard.offload(card).sealed
    yard.drive("Travel", Role.SECONDARY)
    if deed == "prove":
        yard.clock.at += timedelta(days=80)
    return Stage(yard=yard, card=card, since=yard.clock.at)


@dataclass(frozen=True)
class Port:
    """Which part of the world the stop comes from."""

    name: str
    before: bool

    def wrapped(self, context: Context, at: int) -> tuple[Context, Faults[Any]]:
        inner: Any = RealFiles() if self.name == "files" else context.catalog
        # A lock taken and forgotten is let go by the end of the process, which here goes on.
        calls = {name for name in dir(Files) if not name.startswith("_")} - {"lock"}
        only = frozenset({"record", "seal"} if self.name == "catalog" else calls)
        faults = Faults[Any].around(
            inner, at=at, then=KeyboardInterrupt(), before=self.before, only=only
        )
        if self.name == "files":
            return replace(context, files=cast("Files", faults.port)), faults
        return replace(context, catalog=cast("Catalog", faults.port)), faults


def did(stage: Stage, deed: str, port: Port, at: int) -> int:
    """Do it with a stop at the nth call (0: none); how many calls there were."""
    work: Callable[[Context], None] = getattr(stage, deed)
    with stage.yard.context() as context:
        stopped, faults = port.wrapped(context, at)
        try:
            work(stopped)
        except KeyboardInterrupt:
            assert at
        return len(faults.calls)


def only_whole_facts(stage: Stage) -> None:
    """What is said to be at a place is there under its name, with the card's bytes."""
    for drive in ("Main", "Travel"):
        there = tree(stage.yard.root / drive)
        head = f"{SHOOT}/Originals/Wide/Roll 01/"
        for path, data in there.items():
            if path.startswith(head) and not is_temp_name(Path(path).name):
                assert data == CARD[path.removeprefix(head)]
        for fact in stage.yard.facts(drive):
            assert fact.result is Result.MATCHES
            assert fact.path in there


@pytest.mark.slow
@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize(
    "port",
    [
        pytest.param(Port("files", before=True), id="before a call"),
        pytest.param(Port("files", before=False), id="after a call"),
        pytest.param(Port("catalog", before=True), id="before recording"),
        pytest.param(Port("catalog", before=False), id="after recording"),
    ],
)
@pytest.mark.parametrize("deed", ["offload", "mirror", "prove"])
def test_stopped_anywhere_it_leaves_whole_facts_and_is_taken_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deed: str, port: Port, part: int
) -> None:
    monkeypatch.setattr(batches, "LARGE_BYTES", MiB)
    calls = did(staged(tmp_path / "counted", deed), deed, port, 0)
    number = 1 + calls * (2 * part + 1) // (2 * PARTS)
    if part and number == 1 + calls * (2 * part - 1) // (2 * PARTS):
        return  # so few calls that the part before was the same
    stage = staged(tmp_path / "stopped", deed)
    did(stage, deed, port, number)
    only_whole_facts(stage)
    did(stage, deed, port, 0)
    only_whole_facts(stage)
    yard = stage.yard
    assert tree(roll_folder(yard.root / "Main")) == CARD
    assert yard.states("Main") == {CopyState.PROVEN}
    if deed != "prove":
        assert tree(roll_folder(yard.root / "Travel")) == CARD
        assert yard.verdict(stage.card).may_wipe
        assert (roll_folder(yard.root / "Travel") / "EMPTY").is_dir()
        # Stopped between a first manifest and its chain, the manifest stands alone: told each time,
        # never renumbered (DESIGN section 7).
        assert list((roll_folder(yard.root / "Travel") / "ascmhl").glob("0001_*.mhl"))
    assert yard.verify().all_well
    for drive in ("Main", "Travel"):
        names = [path.name for path in (yard.root / drive).rglob("*")]
        assert not [name for name in names if is_temp_name(name)]
