"""Verify: read copies again from their medium, and write down what was found.

Promises:
1. Every file asked for gets a fact of its own: ``matches``, ``damaged`` (with byte ranges),
   ``changed``, ``missing``, ``unreadable``; a file that no roll knows is named as ``unknown``.
2. Nothing is repaired, moved or deleted.
3. What was read in a roll's folder makes a new generation of its manifest there.
4. Readings are recorded as they are made, also where the work is stopped: the next goes on there.
"""

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime

from backupkeeper.actions.context import Context
from backupkeeper.actions.copies_here import Asked, copies_here, in_one_sweep, mount_of
from backupkeeper.actions.displaced import add_moved, know_unknown, settle_displaced
from backupkeeper.actions.doubting import put_in_doubt
from backupkeeper.actions.fetching import verify_bucket
from backupkeeper.actions.findings import VerifyRun, until
from backupkeeper.actions.health import note_health
from backupkeeper.actions.histories import record_check
from backupkeeper.actions.locating import LOCATED, located
from backupkeeper.actions.moved import find_moved
from backupkeeper.actions.one_roll import RollNow, drive_here, known_place, roll_now
from backupkeeper.actions.online import OnlineDrive, holding, online, online_drives
from backupkeeper.actions.proving import PART_FROM_BYTES, Known, prove_copy
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.selection import Selection, resolve
from backupkeeper.actions.unknown_files import name_unknown, name_unknown_where_moved
from backupkeeper.actions.upload import prove_objects
from backupkeeper.core.errors import OutOfReachError
from backupkeeper.core.harm import NO_RIGHT, is_in_doubt_already
from backupkeeper.core.lying import Lying
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Fact,
    PlaceId,
    PlaceKind,
    Result,
    Roll,
    RollFile,
    RollId,
    Way,
)
from backupkeeper.core.needs import Circumstances, Proof, proof_wanted
from backupkeeper.core.outcomes import Trouble, VerifyOutcome
from backupkeeper.core.parts_read import bytes_read, read_since
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import ColdReading

FACTS_A_STEP = 200
"""Facts recorded in one transaction; what was read before an interruption is kept."""
IN_DOUBT = (
    "So many copies in a row are bad that the cable, the port, the controller or the whole drive is in "
    "doubt: reading was stopped, and nothing there is mended. Try another cable and port, then verify it "
    "again (--in-doubt reads on)."
)
BYTES_A_STEP = 1 << 30
"""Bytes read between two such transactions: what a kill or a power cut may cost is some seconds."""


def verify(
    context: Context, what: str | None, progress: Progress, *, in_doubt: bool = False
) -> VerifyOutcome:
    """Read again what is named (nothing named: every drive that is here).

    Args:
        context: the world.
        what: a place's name, a shoot, a roll's folder or a path; see ``selection.resolve``.
        progress: told as it goes.
        in_doubt: read on also where a drive as a whole is in doubt.

    Raises:
        UsageError: nothing of that name is known.
    """
    begun = context.clock.monotonic()
    chosen = resolve(context, what)
    run = VerifyRun(reads_on=in_doubt)
    drives = _drives(context, chosen, run)
    with holding(context, drives, doing=f"verifying {what or 'everything'}"):
        for drive in drives:
            _verify_drive(context, drive, chosen, run, progress)
    for place in context.catalog.places():
        if place.kind is PlaceKind.BUCKET and chosen.place == place.id:
            verify_bucket(context, place, chosen, run, progress)
    progress.end()
    return run.outcome(what or "every drive that is here", context.clock.monotonic() - begun)


def prove_roll(
    context: Context,
    place: PlaceId,
    roll: RollId,
    *,
    proven_before: datetime,
    budget_s: float | None,
    progress: Progress,
) -> VerifyOutcome:
    """Read again what one place has of a roll and what was not proven there since some time.

    Copies that are known to be damaged or missing are left out: reading them again mends nothing.
    So are those of which another reading in this mount would show nothing (see ``core.needs``).

    Args:
        context: the world.
        place: a drive, or a bucket: there, what the store attested is looked at, the rest fetched
            back.
        roll: a sealed roll.
        proven_before: copies whose proof is older are read, and those that have none.
        budget_s: end at the end of a file after so many seconds; None: read all.
        progress: told as it goes.

    Raises:
        DriveGoneError: the drive is not here, or went; what was read until then is recorded.
        BucketUnreachableError: the store does not answer.
        PlaceHeldError: another program of ours is at work on the place.
    """
    begun, begun_at = context.clock.monotonic(), context.clock.now()
    known = known_place(context, place)
    run = VerifyRun()

    def time_is_up() -> bool:
        return budget_s is not None and context.clock.monotonic() - begun >= budget_s

    if known.kind is PlaceKind.BUCKET:
        prove_objects(context, known, roll, proven_before, time_is_up, run, progress)
    else:
        drive = drive_here(context, place)
        with holding(context, [drive], doing="proving"):
            add_moved(drive, find_moved(context, drive, [roll], progress, newly=True), run)
            now = roll_now(context, roll)
            old = _old_copies(context, drive, now, proven_before)
            progress.begin(
                f"Proving {now.roll.head.folder} on {drive.place.name}",
                total_bytes=sum(one.file.size for one in old),
                total_files=len(old),
            )
            read = _verify_roll(
                context, drive, roll, until(old, time_is_up), run, progress, time_is_up
            )
            if not read or _any_in_tree(now.roll, (fact.path for fact, _ in read)):
                record_check(context, drive, now.roll, read, run, whole=True)
            settle_displaced(context, drive, run, progress)
            note_health(context, drive)
            _say_doubted(context, drive, run, len(old), begun_at)
    progress.end()
    return run.outcome(f"{roll} at {known.name}", context.clock.monotonic() - begun)


def _old_copies(
    context: Context, drive: OnlineDrive, now: RollNow, proven_before: datetime
) -> list[Asked]:
    """Copies on this drive that want reading, in the order of their paths."""
    policy = context.config.policy
    around = Circumstances(
        places=now.places,
        policy=policy,
        now=context.clock.now(),
        mounted={drive.place.id: drive.info.mount.token},
        lead=policy.drive_proof_age,
    )
    roll = now.roll
    lying = Lying(roll, now.copies, now.places, now.trees)
    old = [
        Asked(
            path=copy.path,
            file=file,
            mount=mount_of(copy),
        )
        for file in roll.files
        for copy in lying.own(file)
        if copy.place == drive.place.id
        and _wants_reading(copy, proven_before)
        and proof_wanted(copy, around) is not Proof.VAIN
    ]
    return in_one_sweep(context, drive, old)


def _wants_reading(copy: Copy, proven_before: datetime) -> bool:
    if copy.state in {CopyState.WRITTEN, CopyState.DUE}:
        return True
    return copy.proof is not None and copy.proof.at < proven_before


def _drives(context: Context, chosen: Selection, run: VerifyRun) -> list[OnlineDrive]:
    if chosen.place is None:
        here, away = online_drives(context)
        run.skipped += away
        return here
    place = next(place for place in context.catalog.places() if place.id == chosen.place)
    if place.kind is PlaceKind.BUCKET:
        return []
    found = online(context, place)
    if isinstance(found, OnlineDrive):
        return [found]
    run.skipped.append(found)
    return []


def _verify_drive(
    context: Context, drive: OnlineDrive, chosen: Selection, run: VerifyRun, progress: Progress
) -> None:
    try:
        again = find_moved(context, drive, chosen.rolls, progress, covers=chosen.covers)
        add_moved(drive, again, run)
        _verify_rest(context, drive, chosen, set(again.found), run, progress)
    except OutOfReachError as error:
        run.troubles.append(Trouble(place=drive.place.name, path="", message=str(error)))


def _verify_rest(
    context: Context,
    drive: OnlineDrive,
    chosen: Selection,
    known: set[tuple[str, Blake3]],
    run: VerifyRun,
    progress: Progress,
) -> None:
    """Read what was not read just now (``known``: paths, and what was found there)."""
    plans = []
    for roll in map(context.catalog.roll, chosen.rolls):
        # Two rolls may share a file that lies in neither's folder.
        copies = copies_here(context, drive, roll, chosen, read=known)
        known |= {(one.path, one.file.content) for one in copies}
        if copies:
            plans.append((roll, copies))
    progress.begin(
        f"Verifying {drive.place.name}",
        total_bytes=sum(one.file.size for _, copies in plans for one in copies),
        total_files=sum(len(copies) for _, copies in plans),
    )
    asked = {path for path, _ in known}
    begun, wanted = context.clock.now(), sum(len(copies) for _, copies in plans)
    for roll, copies in plans:
        if drive.place.name in run.doubted:
            break
        read = _verify_roll(context, drive, roll.head.id, copies, run, progress)
        whole = chosen.path is None
        if whole and sum(map(_in_tree(roll), (one.path for one in copies))) < len(roll.files):
            name_unknown_where_moved(context, drive, roll, asked, run)
        if not _any_in_tree(roll, (one.path for one in copies)):
            continue
        if whole and drive.place.name not in run.doubted:
            name_unknown(context, drive, roll.head.folder, asked, run)
        record_check(context, drive, roll, read, run, whole=whole)
    settle_displaced(context, drive, run, progress)
    know_unknown(context, drive, chosen.rolls, run, progress)
    note_health(context, drive)
    _say_doubted(context, drive, run, wanted, begun)


def _any_in_tree(roll: Roll, paths: Iterable[str]) -> bool:
    """Whether something lies in the roll's own folder: a history there goes on with that alone."""
    return any(map(_in_tree(roll), paths))


def _in_tree(roll: Roll) -> Callable[[str], bool]:
    return lambda path: path.startswith(f"{roll.head.folder}/")


def _say_doubted(
    context: Context, drive: OnlineDrive, run: VerifyRun, wanted: int, begun: datetime
) -> None:
    """Say where reading ended, and how much was left; believe nothing of that any more."""
    name = drive.place.name
    if name in run.doubted:
        put_in_doubt(context, drive, begun)
        left = wanted - len(run.results[name])
        message = f"{IN_DOUBT} {left} of {wanted} files were not read."
        run.troubles.append(Trouble(place=name, path="", message=message))


def _verify_roll(
    context: Context,
    drive: OnlineDrive,
    roll: RollId,
    copies: Iterable[Asked],
    run: VerifyRun,
    progress: Progress,
    is_over: Callable[[], bool] = lambda: False,
) -> list[tuple[Fact, ColdReading | None]]:
    """Read them in this order; stop where the drive as a whole is in doubt."""
    read: list[tuple[Fact, ColdReading | None]] = []
    facts: list[Fact] = []
    here: dict[PlaceId, OnlineDrive] = {}
    now: RollNow | None = None
    kept = unkept_bytes = 0
    try:
        for one in copies:
            path, file = one.path, one.file
            progress.file(path)
            parts = _parts(context, drive, path, file)
            fact, reading = prove_copy(
                context,
                drive,
                path,
                file,
                known=Known(mount=one.mount, parts=parts),
                progress=progress,
                is_over=is_over,
            )
            clip = None
            if fact.result in LOCATED:
                here = here or {one.place.id: one for one in online_drives(context)[0]}
                now = now or roll_now(context, roll)
                fact, clip = located(context, drive, fact, now, here)
            facts.append(fact)
            if fact.way is Way.PART:
                run.begun_files += 1
                run.read_bytes += read_since(fact, parts)
                return read  # its time is up: the next reading goes on there
            read.append((fact, reading))
            run.read_bytes += bytes_read(fact, file.size, parts) if reading is not None else 0
            progress.advance(0 if reading is not None else file.size, files=1)
            run.take(drive.place.name, roll, file, fact, clip)
            if reading is not None and not reading.cold:
                run.not_cold[drive.place.name] = reading.why_not_cold
            told = Result.MATCHES if fact.note == NO_RIGHT else fact.result
            run.results.setdefault(drive.place.name, []).append(told)
            if not run.reads_on and is_in_doubt_already(run.results[drive.place.name]):
                run.doubted.add(drive.place.name)
                break
            unkept_bytes += file.size
            if len(facts) - kept >= FACTS_A_STEP or unkept_bytes >= BYTES_A_STEP:
                record_seen(context, facts[kept:])
                kept, unkept_bytes = len(facts), 0
    finally:
        record_seen(context, facts[kept:])
    return read


def _parts(context: Context, drive: OnlineDrive, path: str, file: RollFile) -> Sequence[Fact]:
    """Facts about a copy that is large enough for its reading to be taken up."""
    if file.size < PART_FROM_BYTES:
        return ()
    known = context.catalog.facts_at(drive.place.id, below=path)
    return [fact for fact in known if fact.path == path and fact.content == file.content]
