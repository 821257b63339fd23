"""The boat yard with deeds about one roll: what the daemon's workers do, on real folders."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from backupkeeper.actions.context import Context
from backupkeeper.actions.mirror import mirror_roll
from backupkeeper.actions.offload import offload
from backupkeeper.actions.offload_plan import Request
from backupkeeper.actions.upload import upload_roll
from backupkeeper.actions.verify import prove_roll
from backupkeeper.core.model import Copy, CopyState, Fact, PlaceId, RollHead, RollId
from backupkeeper.core.outcomes import (
    MirrorOutcome,
    OffloadOutcome,
    UploadOutcome,
    VerifyOutcome,
)
from backupkeeper.core.policy import copies_of
from backupkeeper.ports.progress import Progress
from tests.stories.yard import QUIET, SHOOT, Yard


class ScopedYard(Yard):
    """A yard whose places and rolls are called by name."""

    @contextmanager
    def context(self) -> Iterator[Context]:
        """The world as a worker is handed it."""
        with self.keeper() as keeper:
            yield keeper._context

    def place(self, name: str) -> PlaceId:
        with self.context() as context:
            return next(one.id for one in context.catalog.places() if one.name == name)

    def head(self, name: str = "Roll 01", source: str = "Wide") -> RollHead:
        with self.context() as context:
            heads = context.catalog.rolls()
            return next(one for one in heads if (one.name, one.source) == (name, source))

    def roll(self, name: str = "Roll 01", source: str = "Wide") -> RollId:
        return self.head(name, source).id

    def offload_onto(self, card: Path, *names: str, source: str = "Wide") -> OffloadOutcome:
        onto = frozenset(self.place(name) for name in names)
        request = Request(card=str(card), shoot=SHOOT, source=source, roll=None, onto=onto)
        with self.context() as context:
            return offload(context, request, QUIET)

    def mirror_one(
        self, *, to: str, origin: str, roll: str = "Roll 01", progress: Progress = QUIET
    ) -> MirrorOutcome:
        ident, target, source = self.roll(roll), self.place(to), self.place(origin)
        with self.context() as context:
            return mirror_roll(context, ident, target=target, source=source, progress=progress)

    def upload_one(
        self,
        *,
        origin: str | None,
        to: str = "Off site",
        roll: str = "Roll 01",
        progress: Progress = QUIET,
    ) -> UploadOutcome:
        ident, bucket = self.roll(roll), self.place(to)
        source = self.place(origin) if origin is not None else None
        with self.context() as context:
            return upload_roll(context, ident, bucket=bucket, source=source, progress=progress)

    def prove_one(
        self,
        at: str,
        *,
        roll: str = "Roll 01",
        before: datetime | None = None,
        budget_s: float | None = None,
        progress: Progress = QUIET,
    ) -> VerifyOutcome:
        ident, place = self.roll(roll), self.place(at)
        with self.context() as context:
            return prove_roll(
                context,
                place,
                ident,
                proven_before=before or context.clock.now(),
                budget_s=budget_s,
                progress=progress,
            )

    def facts(self, at: str) -> list[Fact]:
        """Every fact about a place, oldest first."""
        place = self.place(at)
        with self.context() as context:
            return sorted(context.catalog.facts_at(place), key=lambda fact: fact.at)

    def copies(self, at: str, roll: str = "Roll 01") -> dict[str, Copy]:
        """Copies of a roll's contents at a place, by their path below the roll's folder."""
        head, place = self.head(roll), self.place(at)
        with self.context() as context:
            groups = copies_of(
                context.catalog.facts_of_roll(head.id),
                {one.id: one for one in context.catalog.places()},
                context.config.policy,
                context.clock.now(),
            )
        return {
            copy.path.removeprefix(f"{head.folder}/"): copy
            for group in groups.values()
            for copy in group
            if copy.place == place
        }

    def states(self, at: str, roll: str = "Roll 01") -> set[CopyState]:
        return {copy.state for copy in self.copies(at, roll).values()}
