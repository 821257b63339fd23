"""Mirror: what one drive has and a drive of another role lacks, brought there from a proven copy.

Promises:
1. The source is read cold and compared with its recorded content while it is copied: bytes that
   rotted on the source are never copied on (the fact says ``damaged``, and another copy is tried).
2. A damaged or merely unproven copy is never written over: the outcome says what stands there.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from backupkeeper.actions.context import Context
from backupkeeper.actions.histories import record_arrival
from backupkeeper.actions.landings import landed_fact, settled
from backupkeeper.actions.offload import destination
from backupkeeper.actions.online import OnlineDrive, holding, online_drives
from backupkeeper.actions.proving import prove_copy
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.room import room_needed
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.fitting import fit_names, possible_paths
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Place,
    PlaceId,
    Role,
    Roll,
    RollFile,
    RollHead,
)
from backupkeeper.core.naming import limits_of
from backupkeeper.core.outcomes import MirrorOutcome, Trouble
from backupkeeper.core.policy import best_first, best_per_role, copies_of
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.durable import make_folders
from backupkeeper.transfer.pipeline import Job, copy_files

WANTING = frozenset({CopyState.ABSENT, CopyState.MISSING, CopyState.OUT_OF_REACH})
"""States in which a role has no copy that could be proven or repaired in place."""
READABLE = frozenset({CopyState.PROVEN, CopyState.DUE})


@dataclass(kw_only=True)
class _Run:
    files: int = 0
    bytes: int = 0
    rolls: list[tuple[str, str]] = field(default_factory=list)
    waiting: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    not_cold: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Task:
    """One file that a drive wants, with the copies that it may be read from, best first."""

    file: RollFile
    target: str
    sources: tuple[tuple[OnlineDrive, Copy], ...]


def mirror(context: Context, progress: Progress) -> MirrorOutcome:
    """Bring every roll to a drive of every role that lacks it, as far as drives are here."""
    drives, away = online_drives(context)
    with holding(context, drives, doing="mirroring"):
        return _mirror(context, drives, away, progress)


def _mirror(
    context: Context, drives: Sequence[OnlineDrive], away: Sequence[str], progress: Progress
) -> MirrorOutcome:
    run = _Run()
    for role in (Role.PRIMARY, Role.SECONDARY):
        here = [drive for drive in drives if drive.place.role is role]
        if role not in context.config.policy.roles:
            continue
        heads = _heads_lacking(context, role)
        if heads and not here:
            run.waiting.append(
                f"{len(heads)} rolls have no whole copy on a {role} drive, and none is here. "
                + " ".join(away)
            )
            continue
        for head in heads:
            _mirror_roll(context, drives, here, head, run, progress)
    progress.end()
    return MirrorOutcome(
        copied_files=run.files,
        copied_bytes=run.bytes,
        rolls=tuple(run.rolls),
        waiting=tuple(run.waiting),
        troubles=tuple(run.troubles),
        not_cold=run.not_cold,
    )


def _heads_lacking(context: Context, role: Role) -> list[RollHead]:
    """Rolls that no one place of this role plainly holds, proven: a quick sieve in the catalog."""
    since = context.clock.now() - context.config.policy.drive_proof_age
    holders = [place for place in context.catalog.places() if place.role is role]
    left = {head.id for head in context.catalog.rolls()}
    for place in holders:
        if place.standing.value == "active":
            left &= context.catalog.not_plainly_proven(place.id, since)
    return [head for head in context.catalog.rolls() if head.id in left]


def _mirror_roll(
    context: Context,
    drives: Sequence[OnlineDrive],
    here: Sequence[OnlineDrive],
    head: RollHead,
    run: _Run,
    progress: Progress,
) -> None:
    roll = context.catalog.roll(head.id)
    places = {place.id: place for place in context.catalog.places()}
    copies = copies_of(
        context.catalog.facts_of_roll(head.id), places, context.config.policy, context.clock.now()
    )
    role = here[0].place.role
    wanted = _wanted(roll, copies, places, role, run)
    if not wanted:
        return
    target = _choose_target(context, here, roll, copies, wanted, run)
    if target is None:
        return
    tasks = _tasks(drives, places, target, roll, wanted, copies, run)
    progress.begin(
        f"Mirroring {head.folder} to {target.place.name}",
        total_bytes=sum(task.file.size for task in tasks),
        total_files=len(tasks),
    )
    while tasks:
        tasks = _copy_round(context, target, tasks, run, progress)
    for folder in roll.folders:
        _make_folder(context, target, roll, folder, run)
    for warning in record_arrival(context, target, roll):
        run.waiting.append(warning)
    _note_if_whole(context, target, roll, run)


def _wanted(
    roll: Roll,
    copies: Mapping[Blake3, Sequence[Copy]],
    places: Mapping[PlaceId, Place],
    role: Role,
    run: _Run,
) -> list[RollFile]:
    """Files with nothing in this role; says what else keeps the role from being proven."""
    wanted: list[RollFile] = []
    other: dict[CopyState, int] = {}
    homes = possible_paths(roll.head.folder, [*(f.path for f in roll.files), *roll.folders])
    for file in roll.files:
        own = [c for c in copies.get(file.content, ()) if c.path in homes[file.path]]
        state = best_per_role(own, places, [role])[role].state
        if state in WANTING:
            wanted.append(file)
        elif state is not CopyState.PROVEN:
            other[state] = other.get(state, 0) + 1
    for state, count in other.items():
        told = f"{roll.head.folder}: {count} files are {state} on the {role} drive; "
        told += (
            "they are left as they are."
            if state is CopyState.DAMAGED
            else "to prove them, run: backupkeeper verify"
        )
        run.waiting.append(told)
    return wanted


def _choose_target(
    context: Context,
    here: Sequence[OnlineDrive],
    roll: Roll,
    copies: Mapping[Blake3, Sequence[Copy]],
    wanted: Sequence[RollFile],
    run: _Run,
) -> OnlineDrive | None:
    """The drive that holds most of the roll already, else the one with most room, if there is room."""

    def held(drive: OnlineDrive) -> int:
        return sum(
            any(copy.place == drive.place.id for copy in copies.get(file.content, ()))
            for file in roll.files
        )

    def free(drive: OnlineDrive) -> int:
        try:
            return context.files.free_bytes(drive.root)
        except OSError:
            return 0

    ranked = sorted(here, key=lambda drive: (held(drive), free(drive)), reverse=True)
    needed = []
    for drive in ranked:
        names = _names_at(drive, roll)
        targets = ((drive.absolute(names[file.path]), file.size) for file in wanted)
        needed.append(room_needed(context.files, targets))
        if free(drive) >= needed[-1]:
            return drive
    run.troubles.append(
        Trouble(
            place=ranked[0].place.name,
            path=roll.head.folder,
            message=f"There is no room: {needed[0]:,} bytes are needed.",
        )
    )
    return None


def _names_at(drive: OnlineDrive, roll: Roll) -> dict[str, str]:
    """Where each file and empty folder of a roll stands, or would, at a place."""
    names = fit_names(
        [*(file.path for file in roll.files), *roll.folders],
        limits_of(drive.info.mount.fs_type),
    )
    return {path: f"{roll.head.folder}/{name}" for path, name in names.items()}


def _tasks(
    drives: Sequence[OnlineDrive],
    places: Mapping[PlaceId, Place],
    target: OnlineDrive,
    roll: Roll,
    wanted: Sequence[RollFile],
    copies: Mapping[Blake3, Sequence[Copy]],
    run: _Run,
) -> list[_Task]:
    by_place = {drive.place.id: drive for drive in drives}
    names = _names_at(target, roll)
    tasks, homeless = [], 0
    for file in wanted:
        sources = [
            (by_place[copy.place], copy)
            for copy in best_first(copies.get(file.content, ()), places)
            if copy.place in by_place
            and by_place[copy.place].holds(copy.path)
            and copy.place != target.place.id
            and copy.state in READABLE
        ]
        if not sources:
            homeless += 1
            continue
        tasks.append(
            _Task(
                file=file,
                target=target.absolute(names[file.path]),
                sources=tuple(sources),
            )
        )
    if homeless:
        run.waiting.append(
            f"{roll.head.folder}: {homeless} files for {target.place.name} have no proven copy on a "
            "drive that is here."
        )
    return tasks


def _copy_round(
    context: Context,
    target: OnlineDrive,
    tasks: Sequence[_Task],
    run: _Run,
    progress: Progress,
) -> list[_Task]:
    """Copy each from its best source; return those whose source was bad, with the next one."""
    contents = context.catalog.contents(task.file.content for task in tasks)
    by_target = {task.target: task for task in tasks}
    jobs = []
    for task in tasks:
        drive, copy = task.sources[0]
        jobs.append(
            Job(
                source=drive.absolute(copy.path),
                size=task.file.size,
                mtime_ns=task.file.mtime_ns,
                targets={target.place.id: task.target},
                expect=contents[task.file.content],
            )
        )
    again = []
    for batch in copy_files(jobs, [destination(target)], files=context.files, progress=progress):
        facts = []
        for copied in batch:
            task = by_target[copied.job.targets[target.place.id]]
            landed = settled(target, task.target, copied.places[target.place.id])
            wrong = copied.content is None or copied.content.blake3 != task.file.content
            if wrong:
                again += _blame_source(context, task, run)
            elif isinstance(landed, BackupkeeperError):
                run.troubles.append(
                    Trouble(place=target.place.name, path=task.file.path, message=str(landed))
                )
            elif copied.content is not None:
                run.files += 1
                run.bytes += task.file.size
                if not landed.cold:
                    run.not_cold[target.place.name] = landed.why_not_cold
                facts.append(landed_fact(context, target, task.target, copied.content, landed))
        context.catalog.record(facts=facts)
    return again


def _blame_source(context: Context, task: _Task, run: _Run) -> list[_Task]:
    """The copy that was read is not what it should be: prove it anew, and try the next."""
    drive, copy = task.sources[0]
    fact, _reading = prove_copy(context, drive, copy.path, task.file)
    record_seen(context, [fact])
    run.troubles.append(
        Trouble(
            place=drive.place.name,
            path=copy.path,
            message=f"This copy could not be used: {fact.result}. {fact.note}".strip(),
        )
    )
    if len(task.sources) == 1:
        return []
    return [_Task(file=task.file, target=task.target, sources=task.sources[1:])]


def _make_folder(context: Context, target: OnlineDrive, roll: Roll, folder: str, run: _Run) -> None:
    path = _names_at(target, roll)[folder]
    try:
        make_folders(context.files, target.root, path, target.guard)
    except BackupkeeperError as error:
        run.troubles.append(Trouble(place=target.place.name, path=path, message=str(error)))


def _note_if_whole(context: Context, target: OnlineDrive, roll: Roll, run: _Run) -> None:
    places = {target.place.id: target.place}
    copies = copies_of(
        context.catalog.facts_of_roll(roll.head.id),
        places,
        context.config.policy,
        context.clock.now(),
    )

    def is_proven(files: Iterable[Copy]) -> bool:
        return any(copy.state is CopyState.PROVEN for copy in files)

    if all(is_proven(copies.get(file.content, ())) for file in roll.files):
        run.rolls.append((roll.head.folder, target.place.name))
