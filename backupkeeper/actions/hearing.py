"""What other machines left at a place, taken over by the daemon: news only, and each once.

Promises:
1. Only other catalogs' snapshots that are newer than what was taken over before are read.
2. One that can't be believed is remembered with why, told once, and changes nothing. Where nothing could
   be looked at, that is told, never that nothing was new.
3. At most ``MOST_PACKED`` bytes of one are read.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.merge import source_of
from backupkeeper.actions.snapshot_sources import SnapshotSource
from backupkeeper.actions.taking_snapshots import LOCK, Taking, take_snapshots
from backupkeeper.catalog.merge import settle
from backupkeeper.catalog.snapshot import catalog_id
from backupkeeper.core.errors import BucketShutError, OutOfReachError, SnapshotError
from backupkeeper.core.hearing import Heard, heard_from, is_news
from backupkeeper.core.merging import MergeOutcome
from backupkeeper.core.model import Event, EventKind, PlaceId
from backupkeeper.core.snapshots import SnapshotName
from backupkeeper.drives.marker import Marker
from backupkeeper.ports.progress import Progress

MOST_PACKED: Final = 2 << 30
"""A bound on what a stranger makes us read; what it unpacks to is bounded by ``catalog.unpacking``."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Bounded:
    """A source of which no snapshot is read without end."""

    inner: SnapshotSource

    @property
    def where(self) -> str:
        return self.inner.where

    @property
    def marker(self) -> Marker | None:
        return self.inner.marker

    def names(self) -> list[SnapshotName]:
        return self.inner.names()

    def chunks(self, name: SnapshotName) -> Iterator[memoryview]:
        count = 0
        for chunk in self.inner.chunks(name):
            count += len(chunk)
            if count > MOST_PACKED:
                raise SnapshotError("It is far too large.")
            yield chunk


def hear_from(context: Context, place: PlaceId, progress: Progress) -> MergeOutcome:
    """Take over what is news at one place.

    Raises:
        OutOfReachError: it is not here, or does not answer.
        CatalogError: the catalog can't be used.
    """
    known = next((one for one in context.catalog.places() if one.id == place), None)
    if known is None:
        raise OutOfReachError("That place is not known any more.")
    path = context.config.catalog.path
    mine = catalog_id(path)
    events = context.catalog.latest(EventKind.HEARD)
    heard = {PlaceId(one): heard_from(event.detail) for one, event in events.items()}
    run = Taking(context=context, target=path)
    where = known.name
    with context.locks.hold(LOCK, called="the catalog", doing="taking over what others know"):
        try:
            source = source_of(context, known)
            where = source.where
            take_snapshots(
                run,
                [_Bounded(inner=source)],
                progress,
                lambda name: is_news(name, mine, heard, place),
            )
        except BucketShutError as error:
            run.tell(
                where, error
            )  # who may not list or fetch may still upload: no failure of the bucket
        settle(path, clock=context.clock)
        now = heard.get(place, Heard()).after(
            {one.catalog: one.name for one in run.taken},
            {one.name: one.why for one in run.unusable},
        )
        at = context.clock.now()
        context.catalog.note([Event(at=at, kind=EventKind.HEARD, subject=place, detail=now.detail)])
    progress.end()
    return MergeOutcome(
        dry_run=False,
        sources=(where,),
        taken=tuple(run.taken),
        unusable=tuple(run.unusable),
        troubles=tuple(run.troubles),
    )
