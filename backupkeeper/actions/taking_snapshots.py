"""Snapshots of other catalogs taken over into ours: of each the newest that can be believed.

Promises:
1. One that can't be believed is told, and an older one, or a copy of it elsewhere, stands in.
2. Nothing of it is believed before every row was looked at (``catalog.foreign``); what is taken over
   are facts of their time, and no proof is made by it.
3. What is unpacked lies beside the catalog for that time only.
"""

import os.path
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.snapshot_sources import SnapshotSource
from backupkeeper.catalog.foreign import checked
from backupkeeper.catalog.merge import Merged, merge
from backupkeeper.catalog.snapshot import copy_to
from backupkeeper.catalog.store import open_catalog
from backupkeeper.catalog.unpacking import unpack
from backupkeeper.core.errors import BackupkeeperError, BucketUnreachableError, CatalogError
from backupkeeper.core.model import PlaceId
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.rebuilding import TakenSnapshot, UnusableSnapshot
from backupkeeper.core.snapshots import SnapshotName, newest_first
from backupkeeper.ports.progress import Progress

LOCK: Final = "rebuild"


@dataclass(kw_only=True)
class Taking:
    """What was taken over so far. ``target`` is the catalog's file that is written to."""

    context: Context
    target: str
    taken: list[TakenSnapshot] = field(default_factory=list)
    unusable: list[UnusableSnapshot] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)

    def tell(self, where: str, error: BackupkeeperError) -> None:
        """Note that something could not be used."""
        self.troubles.append(Trouble(place=where, path="", message=str(error)))


def take_snapshots(
    run: Taking,
    sources: Sequence[SnapshotSource],
    progress: Progress,
    is_wanted: Callable[[SnapshotName], bool] = lambda _name: True,
) -> None:
    """Take over, of each catalog, the newest snapshot that lies at any of these.

    Args:
        run: what was found so far is added to it.
        sources: where to look.
        progress: told as it goes.
        is_wanted: which names to look at.

    Raises:
        BucketUnreachableError: a bucket does not answer.
        CatalogError: our own catalog or disk fails.
    """
    holders: dict[SnapshotName, list[SnapshotSource]] = {}
    for source in sources:
        try:
            for name in filter(is_wanted, source.names()):
                holders.setdefault(name, []).append(source)
        except BucketUnreachableError:
            raise
        except BackupkeeperError as error:
            run.tell(source.where, error)
    catalogs = newest_first(holders)
    progress.begin("Taking over snapshots", total_bytes=0, total_files=len(catalogs))
    with scratch_beside(run) as scratch:
        for names in catalogs.values():
            _take_newest(run, names, holders, scratch, progress)
            progress.advance(0, files=1)


@contextmanager
def scratch_beside(run: Taking) -> Iterator[str]:
    """A file's name beside the catalog; what is made there is removed afterwards."""
    scratch = f"{os.path.realpath(run.target)}.found"
    try:
        yield scratch
    finally:
        throw_away(run.context, scratch)


def _take_newest(
    run: Taking,
    names: Sequence[SnapshotName],
    holders: dict[SnapshotName, list[SnapshotSource]],
    scratch: str,
    progress: Progress,
) -> None:
    """Of one catalog's snapshots the newest that can be used, from wherever it can be read."""
    for name in names:
        for source in holders[name]:
            progress.file(name.text)
            try:
                unpack(source.chunks(name), scratch, name.blake3)
                merged = merge(run.target, checked(scratch), clock=run.context.clock)
            except (BucketUnreachableError, CatalogError):
                raise  # no snapshot's fault
            except BackupkeeperError as error:
                why = str(error)
                run.unusable.append(UnusableSnapshot(where=source.where, name=name.text, why=why))
                continue
            taken = taken_from(run, source.where, merged)
            run.taken.append(
                replace(taken, name=name.text, taken_at=name.taken_at, catalog=name.catalog)
            )
            return


def taken_from(run: Taking, where: str, merged: Merged) -> TakenSnapshot:
    """What a merge brought, for a person: places by their names."""
    with closing(open_catalog(run.target, clock=run.context.clock)) as catalog:
        names = {place.id: place.name for place in catalog.places()}
    return TakenSnapshot(
        where=where,
        name=os.path.basename(where),
        taken_at=None,
        catalog="",
        rolls=merged.rolls,
        facts=merged.facts,
        files=merged.files,
        places=tuple(sorted(names[PlaceId(ident)] for ident in merged.places)),
        settled=merged.settled,
        settled_count=merged.settled_count,
    )


@contextmanager
def written_to(context: Context, *, dry_run: bool, copied: bool) -> Iterator[Context]:
    """The world with the catalog that is written to: for a dry run one that is thrown away.

    Args:
        context: the world.
        dry_run: nothing of it shall last.
        copied: whether that one begins as a copy of the catalog; else it is empty.
    """
    if not dry_run:
        yield context
        return
    path = f"{os.path.realpath(context.config.catalog.path)}.dry-run"
    throw_away(context, path)
    try:
        if copied:
            copy_to(context.config.catalog.path, path)
        with closing(open_catalog(path, clock=context.clock)) as scratch:
            settings = replace(context.config.catalog, path=path)
            yield replace(
                context, catalog=scratch, config=replace(context.config, catalog=settings)
            )
    finally:
        throw_away(context, path)


def throw_away(context: Context, path: str) -> None:
    """Remove a catalog's file of our own making, with what lies beside it."""
    for suffix in ("", "-wal", "-shm", "-journal"):
        with suppress(OSError):
            context.files.unlink(f"{path}{suffix}")
