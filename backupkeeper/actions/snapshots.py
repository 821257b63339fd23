"""The catalog kept where it can be found again: snapshots on every drive that is here, and in buckets.

Promises:
1. A snapshot gets its name on a drive only once its bytes were read back from there, and none is ever
   written over: whatever interrupts it, what was there before is there still.
2. In a bucket it counts once the store attested it or it was fetched back; without either, or where
   it can't be sent, the place is told as having none.
3. Only snapshots of this very catalog are thinned, after the new one stands (``core.snapshots``), and
   where the bucket's credentials may not delete, all of them stay.
4. One place at a time is held, like any deed does; a place that is in use is left for the next time.
5. No secret is in it: the catalog holds none (a profile is a name).
"""

import json
import os.path
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.actions.bucket_marker import ensure_marker
from backupkeeper.actions.context import Context
from backupkeeper.actions.fetching import fetch_back
from backupkeeper.actions.landings import settled
from backupkeeper.actions.offload import destination
from backupkeeper.actions.online import OnlineDrive, holding, holding_places, online_drives
from backupkeeper.actions.place_check import make_fit
from backupkeeper.actions.room import room_needed
from backupkeeper.actions.unfinished import drop_temporaries
from backupkeeper.catalog.snapshot import Packed, pack, snapshot_mark
from backupkeeper.core.errors import BackupkeeperError, PlaceHeldError
from backupkeeper.core.model import (
    Content,
    Event,
    EventKind,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Standing,
)
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.snapshots import (
    FOLDER,
    SMALL_BYTES,
    Kept,
    SnapshotMark,
    SnapshotName,
    SnapshotNote,
    due_at,
    is_due,
    note_on,
    snapshot_name,
    superseded,
)
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.transfer.coldpolicy import cold_policy
from backupkeeper.transfer.coldread import checked_blocks
from backupkeeper.transfer.failures import read_failure
from backupkeeper.transfer.pipeline import Job, copy_files

LOCK: Final = "snapshot"
DOING: Final = "keeping a snapshot of the catalog"


@dataclass(kw_only=True)
class Snapshots:
    """What came of it: names of the places that have the newest now; what could not be done."""

    kept: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    size_bytes: int = 0


def keep_snapshots(
    context: Context,
    progress: Progress,
    *,
    brought: bool = False,
    by_hand: bool = False,
    buckets: bool = True,
    only: frozenset[PlaceId] | None = None,
) -> Snapshots:
    """Give each place that is here and due a snapshot of the catalog as it is now.

    Args:
        context: the world.
        progress: told as it goes, where that takes more than a moment.
        brought: something was brought to a place just now (see ``core.snapshots``).
        by_hand: by a command that a person typed.
        buckets: whether buckets are asked too.
        only: the places that are meant; None: all.

    Raises:
        CatalogError: the catalog can't be read.
    """
    run = Snapshots()
    if not os.path.exists(context.config.catalog.path):
        return run
    due = _due(context, brought=brought, by_hand=by_hand, only=only)
    if not due:
        return run
    doubted = context.catalog.latest(EventKind.DOUBTED)
    drives = [
        drive
        for drive in online_drives(context)[0]
        if drive.place.id in due and not _in_doubt(drive, doubted)
    ]
    stores = [place for place in due.values() if buckets and place.kind is PlaceKind.BUCKET]
    if not drives and not stores:
        return run
    beside = f"{os.path.realpath(context.config.catalog.path)}.snapshot"
    try:
        with context.locks.hold(LOCK, called="the catalog's snapshot", doing=DOING):
            try:
                _keep(
                    context,
                    pack(context.config.catalog.path, beside),
                    drives,
                    stores,
                    run,
                    progress,
                )
            finally:
                for path in (beside, f"{beside}.raw"):
                    with suppress(OSError):
                        context.files.unlink(path)
    except PlaceHeldError:
        pass  # another program is just doing this
    return run


def _in_doubt(drive: OnlineDrive, doubted: Mapping[str, Event]) -> bool:
    """Whether it was put in doubt as a whole in this very mount: then it is left alone."""
    last = doubted.get(drive.place.id)
    return last is not None and last.detail == drive.info.mount.token


def kept_snapshots(context: Context) -> dict[PlaceId, Kept]:
    """The last snapshot that each place got from this catalog, or from those it was merged of."""
    found = {}
    for subject, event in context.catalog.latest(EventKind.SNAPSHOT).items():
        try:
            told = json.loads(event.detail)
            mark = told["mark"]
        except (ValueError, TypeError, KeyError):
            continue
        if isinstance(mark, str):
            found[PlaceId(subject)] = Kept(at=event.at, mark=mark)
    return found


def snapshot_notes(context: Context) -> tuple[SnapshotNote, ...]:
    """How each active place stands. Reads the catalog only."""
    places = [one for one in context.catalog.places() if one.standing is Standing.ACTIVE]
    if not places or not os.path.exists(context.config.catalog.path):
        return ()
    kept, now = kept_snapshots(context), context.clock.now()
    mark = snapshot_mark(context.config.catalog.path)
    return tuple(note_on(place.name, kept.get(place.id), mark, now) for place in places)


def snapshots_due(
    context: Context, mark: SnapshotMark, *, brought: bool = False, by_hand: bool = False
) -> dict[PlaceId, datetime]:
    """From when on each active place should get a snapshot; those that have what there is are left out."""
    kept = kept_snapshots(context)
    pause = timedelta(minutes=context.config.catalog.snapshot_minutes)
    now, found = context.clock.now(), {}
    for place in context.catalog.places():
        if place.standing is not Standing.ACTIVE:
            continue
        last = kept.get(place.id)
        in_bucket = place.kind is PlaceKind.BUCKET
        at = due_at(last, mark, pause, in_bucket=in_bucket, brought=brought, by_hand=by_hand)
        if at is not None:
            found[place.id] = min(at, now) if is_due(at, now, last) else at
    return found


def _due(
    context: Context, *, brought: bool, by_hand: bool, only: frozenset[PlaceId] | None
) -> Mapping[PlaceId, Place]:
    mark = snapshot_mark(context.config.catalog.path)
    due = snapshots_due(context, mark, brought=brought, by_hand=by_hand)
    now = context.clock.now()
    return {
        place.id: place
        for place in context.catalog.places()
        if place.id in due and due[place.id] <= now and (only is None or place.id in only)
    }


def _keep(
    context: Context,
    packed: Packed,
    drives: Sequence[OnlineDrive],
    stores: Sequence[Place],
    run: Snapshots,
    progress: Progress,
) -> None:
    run.size_bytes = packed.size_bytes
    if packed.mark.size_bytes <= SMALL_BYTES:
        progress = Quiet()
    name = SnapshotName(
        taken_at=context.clock.now(),
        catalog=packed.catalog,
        blake3=packed.blake3,
    )
    progress.begin(
        "Keeping a snapshot of the catalog",
        total_bytes=packed.size_bytes * (1 + len(stores)),
        total_files=1 + len(stores),
    )
    with _free_ones(context, drives, packed, name, run) as free:
        content = _onto_drives(context, packed, name, free, run, progress)
    if content is not None:
        for place in stores:
            _into_bucket(context, packed, name, (place, content), run, progress)
    progress.end()


@contextmanager
def _free_ones(
    context: Context,
    drives: Iterable[OnlineDrive],
    packed: Packed,
    name: SnapshotName,
    run: Snapshots,
) -> Iterator[list[OnlineDrive]]:
    """Those drives that nobody uses, held, and that have room."""
    with ExitStack() as stack:
        free = []
        for drive in sorted(drives, key=lambda one: one.place.id):
            try:
                stack.enter_context(holding(context, [drive], doing=DOING))
                needed = room_needed(
                    context.files, [(drive.absolute(name.path), packed.size_bytes)]
                )
                if context.files.free_bytes(drive.root) < needed:
                    _tell(run, drive.place, "There is no room for a snapshot of the catalog.")
                else:
                    free.append(drive)
            except PlaceHeldError:
                continue
            except BackupkeeperError as error:
                _tell(run, drive.place, str(error))
            except OSError as error:
                _tell(run, drive.place, f"Its free space can't be read ({error.strerror}).")
        yield free


def _tell(run: Snapshots, place: Place, message: str) -> None:
    run.troubles.append(Trouble(place=place.name, path=FOLDER, message=message))


def _onto_drives(
    context: Context,
    packed: Packed,
    name: SnapshotName,
    drives: Sequence[OnlineDrive],
    run: Snapshots,
    progress: Progress,
) -> Content | None:
    """Write it to each, proven on arrival; what it is, for the buckets."""
    job = Job(
        source=packed.path,
        size=packed.size_bytes,
        mtime_ns=_time_of(context, packed.path),
        targets={drive.place.id: drive.absolute(name.path) for drive in drives},
    )
    for drive in drives:
        if drive.stays_on(FOLDER):
            drop_temporaries(context, drive.absolute(FOLDER))
    content = None
    for batch in copy_files(
        [job], [destination(drive) for drive in drives], files=context.files, progress=progress
    ):
        for copied in batch:
            content = copied.content
            if content is None or content.blake3 != packed.blake3:
                error = copied.source_error
                why = str(error) if error is not None else "It changed on this machine's disk."
                run.troubles.append(Trouble(place="", path=packed.path, message=why))
                return None
            for drive in drives:
                came = settled(drive, drive.absolute(name.path), copied.places[drive.place.id])
                if isinstance(came, BackupkeeperError):
                    _tell(run, drive.place, str(came))
                else:
                    _has_it(context, drive.place, packed, name, run)
                    _thin_drive(context, drive, packed.catalog)
    return content


def _time_of(context: Context, path: str) -> int:
    try:
        return context.files.stat(path).mtime_ns
    except OSError as error:  # the catalog's own disk has just gone
        raise read_failure(path, error) from error


def _has_it(
    context: Context, place: Place, packed: Packed, name: SnapshotName, run: Snapshots
) -> None:
    detail = json.dumps({"mark": packed.mark.text, "name": name.text, "bytes": packed.size_bytes})
    context.catalog.note(
        [Event(at=context.clock.now(), kind=EventKind.SNAPSHOT, subject=place.id, detail=detail)]
    )
    run.kept.append(place.name)


def _thin_drive(context: Context, drive: OnlineDrive, catalog: str) -> None:
    where = drive.absolute(FOLDER)
    with suppress(OSError, BackupkeeperError):  # what stays is no matter
        names = [snapshot_name(name) for name, _ in context.files.list(where)]
        gone = superseded((one for one in names if one is not None), catalog, in_bucket=False)
        for name in gone:
            drive.guard()
            context.files.unlink(f"{where}/{name}")


def _into_bucket(
    context: Context,
    packed: Packed,
    name: SnapshotName,
    what: tuple[Place, Content],
    run: Snapshots,
    progress: Progress,
) -> None:
    place, content = what
    try:
        with holding_places(context, [place], doing=DOING):
            make_fit(context, place, Quiet())
            bucket = context.open_bucket(place)
            ensure_marker(bucket, place)
            fs_type = context.mounts.under(os.path.dirname(packed.path)).fs_type
            blocks = checked_blocks(context.files, packed.path, content, cold_policy(fs_type, None))
            sent = bucket.send(name.path, content, _told(blocks, progress))
            if not sent.attested_by:
                fact = fetch_back(context, bucket, place, name.path, content, Quiet())
                if fact.result is not Result.MATCHES:
                    _tell(run, place, "The snapshot came back with other bytes than were sent.")
                    return
            _has_it(context, place, packed, name, run)
            _thin_bucket(bucket, packed.catalog)
    except PlaceHeldError:
        return
    except BackupkeeperError as error:
        _tell(run, place, str(error))


def _told(blocks: Iterator[memoryview], progress: Progress) -> Iterator[memoryview]:
    for block in blocks:
        yield block
        progress.advance(len(block))


def _thin_bucket(bucket: Bucket, catalog: str) -> None:
    """Remove what need not stay, where that is allowed; where it isn't, that is fine."""
    with suppress(BackupkeeperError):
        names = [
            snapshot_name(entry.key.removeprefix(f"{FOLDER}/"))
            for entry in bucket.listing(f"{FOLDER}/")
        ]
        gone = superseded((one for one in names if one is not None), catalog, in_bucket=True)
        for name in gone:
            if not bucket.drop_snapshot(f"{FOLDER}/{name}"):
                return
