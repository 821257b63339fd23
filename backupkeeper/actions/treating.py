"""Mending one copy on a drive: looked at anew, made whole beside itself, put in place, told.

Promises:
1. Nothing takes the copy's place but bytes that match what it must be, block by block and as a whole,
   read back from the medium (``transfer.mending``); what was there is set aside, with a note.
2. What happened stands in the catalog (where it was hurt, then the new proof) and in the drive's
   set-aside folder; the caller continues the roll's manifest.
3. A copy that was thought good and was not, when it was asked for a block, is looked at and told.
4. A drive that does not give back what was written gets no further repair in this run.
"""

import errno
import json
from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from blake3 import blake3

from backupkeeper.actions.context import Context
from backupkeeper.actions.findings import VerifyRun
from backupkeeper.actions.giving import (
    AnyGiver,
    BucketGiver,
    DriveGiver,
    givers_for,
    out_of_reach,
    troubles_of,
)
from backupkeeper.actions.locating import clip_harm
from backupkeeper.actions.one_roll import RollNow
from backupkeeper.actions.online import OWN_FOLDER, OnlineDrive
from backupkeeper.actions.proving import prove_copy
from backupkeeper.actions.recording import TICK, record_seen
from backupkeeper.actions.room import room_needed
from backupkeeper.core.errors import (
    BackupkeeperError,
    NoSpaceError,
    OutOfReachError,
    ReadBackError,
)
from backupkeeper.core.harm import MENDABLE, NO_RIGHT
from backupkeeper.core.mend_sources import hurt
from backupkeeper.core.mending import Mended, Patient, Planned, RepairOutcome, Unmended
from backupkeeper.core.model import (
    BLOCK_BYTES,
    Content,
    Copy,
    CopyState,
    Fact,
    PlaceId,
    Result,
    RollFile,
    Way,
)
from backupkeeper.core.naming import path_bytes
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.ranges import Ranges, blocks_of, ranges_of
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import ColdReading
from backupkeeper.transfer.durable import discard, temp_name
from backupkeeper.transfer.mending import Made, Mending, Patient as Body
from backupkeeper.transfer.placing import Aside, put_in_place

SET_ASIDE: Final = f"{OWN_FOLDER}/set-aside"
BAD_DRIVE: Final = (
    "What was written there did not come back as it was written. Nothing more is mended on it: suspect "
    "cable, port, memory or drive, in this order."
)
NO_ROOM: Final = (
    "The whole file is made anew beside the damaged one. Make room ('backupkeeper place set-aside' shows "
    "what earlier repairs have kept), then repeat the command."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Wanted:
    """What a person, or the daemon, asks for.

    Args:
        dry_run: only say what would be done.
        edited: put originals back where somebody edited them, too.
        in_doubt: mend also on a drive that is in doubt as a whole.
    """

    dry_run: bool = False
    edited: bool = False
    in_doubt: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """A damaged copy of a roll's file, and the fact that says so."""

    file: RollFile
    copy: Copy
    trouble: Fact


@dataclass(kw_only=True)
class RepairRun:
    """What was done so far, and with what."""

    context: Context
    wanted: Wanted
    progress: Progress
    drives: Mapping[PlaceId, OnlineDrive]
    buckets: Mapping[PlaceId, Bucket]
    planned: list[Planned] = field(default_factory=list)
    mended: list[Mended] = field(default_factory=list)
    unmended: list[Unmended] = field(default_factory=list)
    came_right: list[tuple[str, str]] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    checks: VerifyRun = field(default_factory=VerifyRun)
    fetched: dict[str, int] = field(default_factory=dict)
    bad_drives: set[PlaceId] = field(default_factory=set)

    def outcome(self, what: str, seconds: float) -> RepairOutcome:
        """All of it, as a value. ``what``: what was to be mended."""
        return RepairOutcome(
            what=what,
            dry_run=self.wanted.dry_run,
            planned=tuple(self.planned),
            mended=tuple(self.mended),
            unmended=tuple(self.unmended),
            came_right=tuple(self.came_right),
            left=tuple(dict.fromkeys(self.left)),
            troubles=tuple(dict.fromkeys([*self.troubles, *self.checks.troubles])),
            manifests=tuple(self.checks.manifests),
            manifest_faults=tuple(self.checks.manifest_faults),
            seconds=seconds,
            fetched_bytes=self.fetched,
        )


def is_wanted(run: RepairRun, drive: OnlineDrive, trouble: Fact) -> bool:
    """Whether this kind of trouble is to be mended; says why where it is not."""
    if trouble.note == NO_RIGHT:
        run.left.append(f"{drive.place.name}: {trouble.path}: {NO_RIGHT}")
        return False
    if trouble.result in MENDABLE or (trouble.result is Result.CHANGED and run.wanted.edited):
        return True
    if trouble.result is Result.MISSING:
        run.left.append(
            f"{drive.place.name}: {trouble.path}: it is not there any more. {trouble.note} "
            "'backupkeeper mirror' brings it back where its name is free."
        )
        return False
    why = (
        "somebody edited it. To put the original back and set the edited file aside, add --edited"
        if trouble.result is Result.CHANGED
        else "it reads differently each time. Try another cable and port, then verify it again"
    )
    run.left.append(f"{drive.place.name}: {trouble.path}: {why}.")
    return False


def content_of(run: RepairRun, case: Case) -> Content:
    """What the copy must be."""
    return run.context.catalog.contents([case.file.content])[case.file.content]


def givers_of(
    run: RepairRun, now: RollNow, content: Content, copy: Copy
) -> AbstractContextManager[Sequence[AnyGiver]]:
    """All other copies that this run can reach."""
    return givers_for(
        run.context, now, content, patient=copy, drives=run.drives, buckets=run.buckets
    )


def treat(
    run: RepairRun, now: RollNow, drive: OnlineDrive, case: Case
) -> list[tuple[Fact, ColdReading | None]]:
    """Mend one copy; the readings that its manifest should tell of."""
    trouble, reading = _fresh(run, drive, case)
    if trouble.result is Result.MATCHES:
        run.came_right.append((drive.place.name, case.copy.path))
        return [(trouble, reading)]
    if not is_wanted(run, drive, trouble):
        return []
    case = replace(case, trouble=trouble)
    if drive.place.id in run.bad_drives:
        _give_up(run, drive, case, BAD_DRIVE)
        return []
    try:
        mended = _mend(run, now, drive, case)
    except ReadBackError:
        run.bad_drives.add(drive.place.id)
        _give_up(run, drive, case, BAD_DRIVE)
    except OutOfReachError:
        raise
    except BackupkeeperError as error:
        _give_up(run, drive, case, str(error))
    else:
        return mended
    return []


def _fresh(run: RepairRun, drive: OnlineDrive, case: Case) -> tuple[Fact, ColdReading | None]:
    """What is wrong with the copy now: somebody may have worked on it since it was read."""
    fact, reading = prove_copy(run.context, drive, case.copy.path, case.file)
    record_seen(run.context, [fact])
    return fact, reading


def _give_up(
    run: RepairRun,
    drive: OnlineDrive,
    case: Case,
    why: str,
    *,
    lost: Ranges = (),
    asked: Sequence[str] = (),
) -> None:
    patient = patient_of(drive, case, case.trouble.damage)
    run.unmended.append(Unmended(patient=patient, why=why, lost=lost, asked=tuple(asked)))


def patient_of(drive: OnlineDrive, case: Case, damage: Ranges) -> Patient:
    """The copy, for a person."""
    return Patient(
        place=drive.place.name,
        path=case.copy.path,
        size=case.file.size,
        found=case.trouble.result,
        damage=damage,
    )


def _mend(
    run: RepairRun, now: RollNow, drive: OnlineDrive, case: Case
) -> list[tuple[Fact, ColdReading | None]]:
    context, path = run.context, case.copy.path
    content = content_of(run, case)
    body = Body(
        path=drive.absolute(path), content=content, mtime_ns=case.file.mtime_ns, cold=drive.cold
    )
    if context.files.free_bytes(drive.root) < room_needed(
        context.files, [(body.path, content.size)]
    ):
        raise NoSpaceError(body.path, errno.ENOSPC, advice=NO_ROOM)
    with givers_of(run, now, content, case.copy) as givers:
        mending = Mending(context.files, body, givers, drive.guard, run.progress.advance)
        made = mending.make()
        run.troubles += troubles_of(givers)
        _count_fetched(run, givers)
        _blame(run, [(givers[number], blocks) for number, blocks in made.wrong.items()], case.file)
        harm = replace(case.trouble, at=after(run, case), damage=made.damage)
        if made.reading is None:
            context.catalog.record(facts=[harm])
            _lost(run, now, drive, case, made, givers)
            return []
        taken = _taken(made, givers, content.size)
    aside = _aside(run, drive, case, made, taken)
    try:
        is_whole = put_in_place(context.files, body, made.before, aside, drive.guard)
    except OutOfReachError:
        raise
    except BackupkeeperError:
        discard(context.files, temp_name(body.path))  # it was made for nothing
        raise
    kept = f"{aside.folder}/{aside.name}"
    shares = ", ".join(f"{count:,} bytes from {name}" for name, count in taken.items())
    if made.pieced:
        shares += f", {len(made.pieced)} blocks from several copies, none of them right by itself"
    fact = Fact(
        at=harm.at + TICK,
        place=drive.place.id,
        path=path,
        content=content.blake3,
        way=Way.READBACK if made.reading.cold else Way.WRITTEN,
        result=Result.MATCHES,
        cold=made.reading.cold,
        evidence=made.reading.evidence,
        mount=drive.info.mount.token,
        note=f"Mended: {shares or 'cut to its length'}. What was there is in {aside.folder}.",
    )
    context.catalog.record(facts=[harm, fact])
    patient = replace(
        patient_of(drive, case, made.damage),
        unreadable=made.unreadable,
        clip=clip_harm(context, drive, path, made.damage, now, run.drives),
    )
    run.mended.append(
        Mended(
            patient=patient,
            taken=taken,
            set_aside=kept,
            kept_whole=is_whole,
            proven=made.reading.cold,
            not_cold=made.reading.why_not_cold,
        )
    )
    return [(fact, made.reading)]


def _count_fetched(run: RepairRun, givers: Iterable[AnyGiver]) -> None:
    for one in givers:
        if isinstance(one, BucketGiver) and one.fetched:
            run.fetched[one.name] = run.fetched.get(one.name, 0) + one.fetched


def after(run: RepairRun, case: Case) -> datetime:
    """Now, or just after all that is known of the copy where a clock ran ahead."""
    known = run.context.catalog.facts_at(case.copy.place, below=case.copy.path)
    latest = max((fact.at for fact in known if fact.path == case.copy.path), default=None)
    now = run.context.clock.now()
    return now if latest is None or latest < now else latest + TICK


def _blame(run: RepairRun, wrong: Iterable[tuple[AnyGiver, Sequence[int]]], file: RollFile) -> None:
    """Copies that had a block wrong, or not at all, and were thought better: recorded and told."""
    for giver, blocks in wrong:
        if isinstance(giver.trouble, OutOfReachError):
            continue  # that says nothing of the copy
        known = giver.copy.trouble if giver.copy.state is CopyState.DAMAGED else None
        if known is not None and not set(blocks) - set(blocks_of(hurt(giver.copy, file.size))):
            continue  # that was known
        if isinstance(giver, DriveGiver):
            drive = run.drives[giver.copy.place]
            fact, _ = prove_copy(run.context, drive, giver.copy.path, file)
        else:
            fact = giver.found(run.context.clock.now(), ranges_of(blocks, file.size))
        record_seen(run.context, [fact])
        message = f"This copy could not be used for all of it: {fact.result}. {fact.note}"
        run.troubles.append(
            Trouble(place=giver.name, path=giver.copy.path, message=message.strip())
        )


def _taken(made: Made, givers: Sequence[AnyGiver], size: int) -> dict[str, int]:
    """Bytes that came from each other copy, by the name of its place."""
    taken: dict[str, int] = {}
    for number, blocks in made.taken.items():
        name = givers[number].name
        count = sum(min(BLOCK_BYTES, size - block * BLOCK_BYTES) for block in blocks)
        taken[name] = taken.get(name, 0) + count
    return taken


def _lost(
    run: RepairRun,
    now: RollNow,
    drive: OnlineDrive,
    case: Case,
    made: Made,
    givers: Sequence[AnyGiver],
) -> None:
    away = out_of_reach(now, case.file.content, case.copy, givers)
    why = (
        "No copy that could be read has these bytes right. All versions stay as they are. If the card, or "
        "any other copy of it, still exists: keep it."
    )
    if away:
        why += f" Not asked, for they can't be reached now: {', '.join(away)}."
    patient = replace(
        patient_of(drive, case, made.damage),
        unreadable=made.unreadable,
        clip=clip_harm(run.context, drive, case.copy.path, made.lost, now, run.drives),
    )
    names = tuple(dict.fromkeys(one.name for one in givers))
    run.unmended.append(Unmended(patient=patient, why=why, lost=made.lost, asked=names))


def _aside(
    run: RepairRun, drive: OnlineDrive, case: Case, made: Made, taken: Mapping[str, int]
) -> Aside:
    """Where the damaged file goes, and the note beside it."""
    at = run.context.clock.now()
    key = blake3(path_bytes(f"{case.copy.path}/{at.isoformat()}")).hexdigest()[:8]
    note = {
        "version": 1,
        "what": "A damaged file that was replaced by a whole one. Delete it if you don't want it.",
        "path": case.copy.path,
        "blake3_it_should_have": case.file.content,
        "size_it_should_have": case.file.size,
        "found": case.trouble.result.value,
        "damaged_bytes": [list(span) for span in made.damage],
        "unreadable_bytes": [list(span) for span in made.unreadable],
        "replaced_at": at.isoformat(),
        "bytes_taken_from": dict(taken),
    }
    return Aside(
        root=drive.root,
        folder=f"{SET_ASIDE}/{at:%Y%m%dT%H%M%SZ}-{key}",
        name=case.copy.path.rpartition("/")[2],
        note=(json.dumps(note, indent=2) + "\n").encode(),
    )
