"""Verify: read copies again from their medium, and write down what was found.

Promises:
1. Every file asked for gets a fact of its own: ``matches``, ``damaged`` (with byte ranges),
   ``changed``, ``missing``, ``unreadable``; a file that no roll knows is named as ``unknown``.
2. Nothing is repaired, moved or deleted.
3. What was read in a roll's folder makes a new generation of its manifest there.
"""

from collections.abc import Iterable, Iterator

from backupkeeper.actions.context import Context
from backupkeeper.actions.fetching import verify_bucket
from backupkeeper.actions.findings import VerifyRun
from backupkeeper.actions.histories import record_check
from backupkeeper.actions.online import OnlineDrive, holding, online, online_drives
from backupkeeper.actions.proving import prove_copy
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.selection import Selection, resolve
from backupkeeper.core.errors import OutOfReachError
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.model import Fact, PlaceKind, Result, Roll, RollFile
from backupkeeper.core.outcomes import Checked, Finding, Trouble, VerifyOutcome
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import ColdReading

FACTS_A_STEP = 200
"""Facts recorded in one transaction; what was read before an interruption is kept."""


def verify(context: Context, what: str | None, progress: Progress) -> VerifyOutcome:
    """Read again what is named (nothing named: every drive that is here).

    Args:
        context: the world.
        what: a place's name, a shoot, a roll's folder or a path; see ``selection.resolve``.
        progress: told as it goes.

    Raises:
        UsageError: nothing of that name is known.
    """
    begun = context.clock.monotonic()
    chosen = resolve(context, what)
    run = VerifyRun()
    drives = _drives(context, chosen, run)
    with holding(context, drives, doing=f"verifying {what or 'everything'}"):
        for drive in drives:
            _verify_drive(context, drive, chosen, run, progress)
    for place in context.catalog.places():
        if place.kind is PlaceKind.BUCKET and chosen.place == place.id:
            verify_bucket(context, place, chosen, run, progress)
    progress.end()
    return VerifyOutcome(
        what=what or "every drive that is here",
        matching_files=run.matching_files,
        matching_bytes=run.matching_bytes,
        not_cold=run.not_cold,
        checked=tuple(run.checked),
        manifests=tuple(run.manifests),
        manifest_faults=tuple(run.manifest_faults),
        troubles=tuple(run.troubles),
        skipped=tuple(run.skipped),
        seconds=context.clock.monotonic() - begun,
    )


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
    plans = [
        (roll, list(_copies_here(context, drive, roll, chosen)))
        for roll in map(context.catalog.roll, chosen.rolls)
    ]
    plans = [(roll, copies) for roll, copies in plans if copies]
    progress.begin(
        f"Verifying {drive.place.name}",
        total_bytes=sum(file.size for _, copies in plans for _, file, _ in copies),
        total_files=sum(len(copies) for _, copies in plans),
    )
    try:
        for roll, copies in plans:
            read = _verify_roll(context, drive, copies, run, progress)
            whole = chosen.path is None
            if whole:
                _name_unknown(context, drive, roll, {path for path, _, _ in copies}, run)
            record_check(context, drive, roll, read, run, whole=whole)
    except OutOfReachError as error:
        run.troubles.append(Trouble(place=drive.place.name, path="", message=str(error)))


def _copies_here(
    context: Context, drive: OnlineDrive, roll: Roll, chosen: Selection
) -> Iterator[tuple[str, RollFile, str | None]]:
    """Copies of a roll's files that facts put on this drive, with the mount of the last writing."""
    homes = possible_paths(roll.head.folder, [*(f.path for f in roll.files), *roll.folders])
    by_place: dict[str, RollFile] = {home: file for file in roll.files for home in homes[file.path]}
    latest: dict[str, Fact] = {}
    for fact in context.catalog.facts_at(drive.place.id, below=roll.head.folder):
        file = by_place.get(fact.path)
        if file is None or fact.content != file.content:
            continue
        if fact.path not in latest or latest[fact.path].at <= fact.at:
            latest[fact.path] = fact
    for path in sorted(latest):
        if chosen.covers(path):
            # A file that was missing or bad may have been put back since, in this very mount.
            was_there = latest[path].result is Result.MATCHES
            yield path, by_place[path], latest[path].mount if was_there else None


def _verify_roll(
    context: Context,
    drive: OnlineDrive,
    copies: Iterable[tuple[str, RollFile, str | None]],
    run: VerifyRun,
    progress: Progress,
) -> list[tuple[Fact, ColdReading | None]]:
    read: list[tuple[Fact, ColdReading | None]] = []
    facts: list[Fact] = []
    kept = 0
    try:
        for path, file, mount in copies:
            progress.file(path)
            fact, reading = prove_copy(
                context, drive, path, file, written_during=mount, progress=progress
            )
            facts.append(fact)
            read.append((fact, reading))
            progress.advance(0 if reading is not None else file.size, files=1)
            run.add(drive.place.name, fact, file.size)
            if reading is not None and not reading.cold:
                run.not_cold[drive.place.name] = reading.why_not_cold
            if len(facts) - kept >= FACTS_A_STEP:
                record_seen(context, facts[kept:])
                kept = len(facts)
    finally:
        record_seen(context, facts[kept:])
    return read


def _name_unknown(
    context: Context, drive: OnlineDrive, roll: Roll, known: set[str], run: VerifyRun
) -> None:
    """Files in the roll's folder that are neither the roll's nor its manifest's."""
    for path in _walk(context, drive, roll.head.folder, run):
        if path in known or path.startswith(f"{roll.head.folder}/ascmhl/"):
            continue
        run.checked.append(
            Checked(
                place=drive.place.name,
                path=path,
                finding=Finding.UNKNOWN,
                size=_size(context, drive, path),
                cold=False,
            )
        )


def _walk(context: Context, drive: OnlineDrive, folder: str, run: VerifyRun) -> Iterator[str]:
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        try:
            entries = sorted(context.files.list(drive.absolute(here)))
        except OSError as error:
            message = f"The folder can't be listed: {error.strerror}."
            run.troubles.append(Trouble(place=drive.place.name, path=here, message=message))
            continue
        for name, kind in entries:
            if kind is EntryKind.FOLDER:
                waiting.append(f"{here}/{name}")
            else:
                yield f"{here}/{name}"


def _size(context: Context, drive: OnlineDrive, path: str) -> int:
    try:
        return context.files.stat(drive.absolute(path)).size
    except OSError:
        return 0
