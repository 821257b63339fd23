"""Repair: copies on drives made whole again from whatever is still right, wherever it is.

Promises:
1. What a person edited is left alone unless they say so; so is a drive that is in doubt as a whole.
2. No proven copy is touched: a repair never leaves fewer of them, at any instant.
3. One repair at a time works on a place, and nothing else of ours meanwhile.
4. A dry run reads nothing but the catalog, and writes nothing.

How one copy is mended stands in ``actions.treating``.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import ExitStack

from backupkeeper.actions.context import Context
from backupkeeper.actions.doubting import doubt_of
from backupkeeper.actions.giving import open_buckets
from backupkeeper.actions.histories import record_check
from backupkeeper.actions.one_roll import RollNow, drive_here, roll_now
from backupkeeper.actions.online import OnlineDrive, holding, holding_places, online_drives
from backupkeeper.actions.repair_object import mend_objects
from backupkeeper.actions.selection import Selection, resolve
from backupkeeper.actions.treating import (
    SET_ASIDE,
    Case,
    RepairRun,
    Wanted,
    content_of,
    givers_of,
    is_wanted,
    patient_of,
    treat,
)
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.lying import Lying
from backupkeeper.core.mend_sources import hurt
from backupkeeper.core.mending import Planned, RepairOutcome, sharing
from backupkeeper.core.model import (
    CopyState,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    RollId,
    Standing,
)
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.typed import typed
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import ColdReading


def repair(context: Context, what: str | None, wanted: Wanted, progress: Progress) -> RepairOutcome:
    """Mend every damaged copy on the drives that are here, of what is named, else of all.

    Objects in a bucket only where the bucket is named: each is sent anew as a whole.

    Args:
        context: the world.
        what: a place's name, a shoot, a roll's folder or a path; see ``selection.resolve``.
        wanted: see there.
        progress: told as it goes.

    Raises:
        UsageError: nothing of that name is known.
        PlaceHeldError: another program of ours is at work on a drive.
    """
    begun = context.clock.monotonic()
    chosen = resolve(context, what)
    here, _ = online_drives(context)
    run = RepairRun(
        context=context,
        wanted=wanted,
        progress=progress,
        drives={drive.place.id: drive for drive in here},
        buckets=open_buckets(context, _active(context)),
    )
    named = [one for one in _active(context) if one.id in run.buckets and one.id == chosen.place]
    with ExitStack() as stack:
        if not wanted.dry_run:
            stack.enter_context(holding_places(context, named, doing="repairing"))
            stack.enter_context(holding(context, here, doing="repairing"))
        for roll in chosen.rolls:
            now = roll_now(context, roll)
            patients = [one for one in _patients(now) if _is_chosen(one, now, chosen)]
            _say_not_mended(run, now, patients, chosen)
            for place, drive in run.drives.items():
                _mend_roll(run, now, drive, [one for one in patients if one.copy.place == place])
            for bucket in named if patients else ():
                mend_objects(run, now, bucket, patients)
    progress.end()
    return run.outcome(what or "every drive that is here", context.clock.monotonic() - begun)


def repair_roll(
    context: Context,
    roll: RollId,
    *,
    place: PlaceId,
    sources: Iterable[PlaceId],
    progress: Progress,
) -> RepairOutcome:
    """Mend what one drive has damaged of a roll, by itself: no edits, no drive that is in doubt.

    Args:
        context: the world.
        roll: a sealed roll.
        place: the drive.
        sources: drives and buckets that may be read from.
        progress: told as it goes.

    Raises:
        DriveGoneError: a drive is not here.
        PlaceHeldError: another program of ours is at work on one.
    """
    begun = context.clock.monotonic()
    now = roll_now(context, roll)
    target = drive_here(context, place)
    known = [now.places[one] for one in sources if one in now.places]
    drives = [drive_here(context, one.id) for one in known if one.kind is not PlaceKind.BUCKET]
    run = RepairRun(
        context=context,
        wanted=Wanted(),
        progress=progress,
        drives={drive.place.id: drive for drive in [target, *drives]},
        buckets={},
    )
    run.buckets = _answering(run, known, now)
    with holding(context, [target, *drives], doing="repairing"):
        if not (drives or run.buckets) and known:
            return run.outcome(f"{now.roll.head.folder} on {target.place.name}", 0.0)
        _mend_roll(run, now, target, [one for one in _patients(now) if one.copy.place == place])
    progress.end()
    return run.outcome(
        f"{now.roll.head.folder} on {target.place.name}", context.clock.monotonic() - begun
    )


def _answering(run: RepairRun, places: Iterable[Place], now: RollNow) -> dict[PlaceId, Bucket]:
    """The buckets among these that answer; of the others it is told, before anything large is read."""
    found = {}
    for place, bucket in open_buckets(run.context, places).items():
        try:
            bucket.look(now.roll.head.folder)
        except BackupkeeperError as error:
            name = now.places[place].name
            run.troubles.append(Trouble(place=name, path="", message=str(error)))
        else:
            found[place] = bucket
    return found


def _active(context: Context) -> list[Place]:
    return [place for place in context.catalog.places() if place.standing is Standing.ACTIVE]


def _patients(now: RollNow) -> list[Case]:
    """Every damaged copy of the roll's files that is its own, at an active place."""
    roll = now.roll
    lying = Lying(roll, now.copies, now.places, now.trees)
    found = [
        Case(file=file, copy=copy, trouble=copy.trouble)
        for file in roll.files
        for copy in lying.own(file)
        if copy.state is CopyState.DAMAGED and copy.trouble is not None
    ]
    return sorted(found, key=lambda one: (one.copy.place, one.copy.path))


def _is_chosen(case: Case, now: RollNow, chosen: Selection) -> bool:
    paths = [case.copy.path, f"{now.roll.head.folder}/{case.file.path}"]
    return chosen.place in {None, case.copy.place} and chosen.covers_any(paths)


def _say_not_mended(run: RepairRun, now: RollNow, cases: Iterable[Case], chosen: Selection) -> None:
    """Damaged copies that this run does not touch."""
    for place, count in Counter(one.copy.place for one in cases).items():
        if place in run.drives or place == chosen.place:
            continue
        name, folder = now.places[place].name, now.roll.head.folder
        run.left.append(
            f"{folder}: {count} damaged objects are in {name}. To have them sent anew, name it: "
            f"backupkeeper repair {typed(name)}"
            if place in run.buckets
            else f"{folder}: {count} damaged files are on {name}, which is not here."
        )


def _mend_roll(run: RepairRun, now: RollNow, drive: OnlineDrive, cases: Sequence[Case]) -> None:
    if not cases or not _may_be_mended(run, drive):
        return
    if not run.wanted.dry_run:
        run.progress.begin(
            f"Repairing {now.roll.head.folder} on {drive.place.name}",
            total_bytes=sum(one.file.size for one in cases),
            total_files=len(cases),
        )
    read: list[tuple[Fact, ColdReading | None]] = []
    try:
        for case in cases:
            if run.wanted.dry_run:
                _plan(run, now, drive, case)
                continue
            run.progress.file(case.copy.path)
            read += treat(run, now, drive, case)
            run.progress.advance(0, files=1)
    finally:
        if read:  # also where it is stopped: what was mended belongs into the manifest
            record_check(run.context, drive, now.roll, read, run.checks, whole=False)


def _may_be_mended(run: RepairRun, drive: OnlineDrive) -> bool:
    """Whether anything may be written there now; says why where not."""
    why = "" if run.wanted.in_doubt else doubt_of(run.context, drive)
    if drive.info.mount.read_only:
        why = "it is mounted read-only."
    elif not _can_set_aside(run, drive):
        why = (
            f"{SET_ASIDE} is no folder on this drive (a file, a link, another mount): move it away."
        )
    if why:
        run.left.append(f"{drive.place.name}: {why}")
    return not why


def _can_set_aside(run: RepairRun, drive: OnlineDrive) -> bool:
    try:
        kind = run.context.files.stat(drive.absolute(SET_ASIDE)).kind
    except OSError:
        return True  # it is made when it is needed
    return kind is EntryKind.FOLDER and drive.stays_on(SET_ASIDE)


def _plan(run: RepairRun, now: RollNow, drive: OnlineDrive, case: Case) -> None:
    if not is_wanted(run, drive, case.trouble):
        return
    content, size = content_of(run, case), case.file.size
    with givers_of(run, now, content, case.copy) as givers:
        known = [(one.name, hurt(one.copy, size)) for one in givers]
    damage = case.trouble.damage or ((0, size),)
    patient = patient_of(drive, case, damage)
    run.planned.append(Planned(patient=patient, sharing=sharing(size, damage, known)))
