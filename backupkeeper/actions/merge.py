"""Another machine's catalog added to ours, from wherever it lies: a file, a drive, a bucket.

Promises:
1. Nothing in ours is lost, and of each source either all is taken over or nothing.
2. What a source says is taken as facts of their time; nothing is proven by it.
3. Places are taken over as descriptions: a drive is used only once it is here and is what its marker
   and file system say, as ever.
"""

import os.path
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from backupkeeper.actions.bucket_marker import bucket_marker
from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive, online, read_marker
from backupkeeper.actions.snapshot_sources import (
    BucketSource,
    FolderSource,
    SnapshotSource,
    file_chunks,
    named_source,
)
from backupkeeper.actions.taking_snapshots import (
    LOCK,
    Taking,
    scratch_beside,
    take_snapshots,
    taken_from,
    written_to,
)
from backupkeeper.catalog.foreign import checked
from backupkeeper.catalog.merge import merge, settle
from backupkeeper.catalog.snapshot import catalog_id
from backupkeeper.catalog.unpacking import copy_plain, unpack
from backupkeeper.core.errors import (
    BackupkeeperError,
    CatalogError,
    OutOfReachError,
    SnapshotError,
    UsageError,
)
from backupkeeper.core.merging import MergeOutcome, MergeWish
from backupkeeper.core.model import Place, PlaceKind
from backupkeeper.core.named import place_named
from backupkeeper.core.rebuilding import UnusableSnapshot
from backupkeeper.core.snapshots import snapshot_name
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress

_PACKED: Final = b"\x28\xb5\x2f\xfd"
"""The first bytes of a Zstandard frame (RFC 8878, section 3.1.1)."""
_PLAIN: Final = b"SQLite format 3\0"
"""https://sqlite.org/fileformat2.html, section 1.3."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _File:
    """A catalog, or a snapshot of one, that somebody named."""

    path: str

    @property
    def where(self) -> str:
        """Its path."""
        return self.path


def merge_catalogs(context: Context, wish: MergeWish, progress: Progress) -> MergeOutcome:
    """Add what other catalogs say.

    Args:
        context: the world; its catalog is written to (not with ``dry_run``).
        wish: what the person asks for.
        progress: told as it goes.

    Raises:
        UsageError: a source is none.
        OutOfReachError: a drive is not here, or a bucket does not answer.
        CatalogError: the catalog can't be used.
    """
    sources = [_source(context, wish, text) for text in dict.fromkeys(wish.sources)]
    files = [one for one in sources if isinstance(one, _File)]
    places: list[SnapshotSource] = [one for one in sources if not isinstance(one, _File)]
    with (
        context.locks.hold(LOCK, called="the catalog", doing="merging another into it"),
        written_to(context, dry_run=wish.dry_run, copied=True) as inner,
    ):
        run = Taking(context=inner, target=inner.config.catalog.path)
        if places:
            take_snapshots(run, places, progress)
            _tell_empty(run, places)
        _take_files(run, files, progress)
        settle(run.target, clock=context.clock)
    progress.end()
    return MergeOutcome(
        dry_run=wish.dry_run,
        sources=tuple(one.where for one in sources),
        taken=tuple(run.taken),
        unusable=tuple(run.unusable),
        troubles=tuple(run.troubles),
    )


def _source(context: Context, wish: MergeWish, text: str) -> _File | SnapshotSource:
    if text.startswith("s3://"):
        return named_source(context, text, endpoint=wish.endpoint, profile=wish.profile)
    if os.path.isabs(text):
        try:
            kind = context.files.stat(text).kind
        except OSError as error:
            raise UsageError(
                f"There is nothing at {text}.", advice="Is the drive mounted?"
            ) from error
        if kind is EntryKind.FILE:
            return _File(path=text)
        return named_source(context, text, endpoint=None, profile=None)
    return source_of(context, place_named(context.catalog.places(), text))


def source_of(context: Context, place: Place) -> SnapshotSource:
    """Where a known place's snapshots are read from.

    Raises:
        OutOfReachError: a drive that is not here, or a bucket that does not answer.
        BackupkeeperError: its marker can't be believed.
    """
    if place.kind is PlaceKind.BUCKET:
        bucket = context.open_bucket(place)
        return BucketSource(place=place, bucket=bucket, marker=bucket_marker(bucket))
    drive = online(context, place)
    if not isinstance(drive, OnlineDrive):
        raise OutOfReachError(drive or f"{place.name} is not here.", advice="Plug it in.")
    marker = read_marker(context.files, drive.root)
    return FolderSource(context=context, root=drive.root, marker=marker)


def _tell_empty(run: Taking, places: Sequence[SnapshotSource]) -> None:
    """A source without any snapshot must not look like one that said nothing new."""
    used = {one.where for one in run.taken} | {one.where for one in run.unusable}
    told = {one.place for one in run.troubles}
    for source in places:
        if source.where not in used | told and not source.names():
            run.tell(source.where, SnapshotError("There is no snapshot of a catalog."))


def _take_files(run: Taking, files: Sequence[_File], progress: Progress) -> None:
    if not files:
        return
    progress.begin("Taking over catalogs", total_bytes=0, total_files=len(files))
    with scratch_beside(run) as scratch:
        for file in files:
            progress.file(file.path)
            try:
                _take_file(run, file.path, scratch)
            except CatalogError:
                raise  # our own disk
            except BackupkeeperError as error:
                name = os.path.basename(file.path)
                run.unusable.append(UnusableSnapshot(where=file.path, name=name, why=str(error)))
            progress.advance(0, files=1)


def _take_file(run: Taking, path: str, scratch: str) -> None:
    name = snapshot_name(os.path.basename(path))
    chunks = file_chunks(run.context.files, path)
    first = bytes(next(chunks, b""))
    chunks.close()
    whole = file_chunks(run.context.files, path)
    if first.startswith(_PACKED):
        unpack(whole, scratch, name.blake3 if name is not None else None)
    elif first.startswith(_PLAIN):
        _closed(run.context, path)
        copy_plain(whole, scratch)
    else:
        raise SnapshotError("It is neither a catalog nor a snapshot of one.")
    looked_at = checked(scratch)
    catalog = catalog_id(scratch)
    merged = merge(run.target, looked_at, clock=run.context.clock)
    taken = taken_from(run, path, merged)
    at = name.taken_at if name is not None else None
    run.taken.append(replace(taken, catalog=catalog, taken_at=at))


def _closed(context: Context, path: str) -> None:
    """A catalog in use has its last words in a journal, and would be only half of what it is."""
    try:
        left = context.files.stat(f"{path}-wal").size
    except FileNotFoundError:
        return
    except OSError as error:
        raise SnapshotError(f"Its journal can't be looked at ({error.strerror}).") from error
    if left:
        raise SnapshotError(
            "It is in use, or was not closed: its last words stand in the journal beside it.",
            advice="Name a snapshot of it instead (in .backupkeeper/catalog of a drive).",
        )
