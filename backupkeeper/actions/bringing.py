"""Files of one roll brought to one drive, from proven copies on other drives.

Promises:
1. The source is read cold and compared with its recorded content while it is copied: bytes that
   rotted on the source are never copied on (the fact says ``damaged``, and another copy is tried).
2. What is durable is recorded, also where the work ends early: by a stop, or by a drive that goes.
3. The last files are recorded after all else is done, folders and manifest: whoever finds every file
   recorded finds the roll finished.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from backupkeeper.actions.context import Context
from backupkeeper.actions.histories import record_arrival
from backupkeeper.actions.landings import landed_fact, settled
from backupkeeper.actions.offload import destination
from backupkeeper.actions.one_roll import RollNow
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.proving import prove_copy
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.room import room_needed
from backupkeeper.core.errors import (
    BackupkeeperError,
    DriveGoneError,
    OutOfReachError,
    SystemShortError,
)
from backupkeeper.core.fitting import fit_names
from backupkeeper.core.lacking import READABLE
from backupkeeper.core.model import Copy, CopyState, Fact, PlaceId, Roll, RollFile
from backupkeeper.core.moving import Moved
from backupkeeper.core.naming import limits_of
from backupkeeper.core.outcomes import MirrorOutcome, Trouble
from backupkeeper.core.policy import best_first, copies_of
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.durable import make_folders
from backupkeeper.transfer.pipeline import Copied, Job, copy_files


@dataclass(kw_only=True)
class Bringing:
    """What was brought so far, over all rolls and drives."""

    files: int = 0
    bytes: int = 0
    rolls: list[tuple[str, str]] = field(default_factory=list)
    waiting: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    not_cold: dict[str, str] = field(default_factory=dict)
    moved: list[Moved] = field(default_factory=list)

    def tell(self, place: str, path: str, error: BackupkeeperError) -> None:
        """A trouble; one that ends a whole drive comes back for every further file: told once."""
        if not any((one.place, one.message) == (place, str(error)) for one in self.troubles):
            self.troubles.append(Trouble(place=place, path=path, message=str(error)))

    def outcome(self) -> MirrorOutcome:
        """All of it, as a value."""
        return MirrorOutcome(
            copied_files=self.files,
            copied_bytes=self.bytes,
            rolls=tuple(self.rolls),
            waiting=tuple(self.waiting),
            troubles=tuple(self.troubles),
            not_cold=self.not_cold,
            moved=tuple(self.moved),
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Task:
    """One file that a drive wants, with the copies that it may be read from, best first."""

    file: RollFile
    target: str
    sources: tuple[tuple[OnlineDrive, Copy], ...]


def names_at(drive: OnlineDrive, roll: Roll) -> dict[str, str]:
    """Where each file and empty folder of a roll stands, or would, at a place."""
    names = fit_names(
        [*(file.path for file in roll.files), *roll.folders],
        limits_of(drive.info.mount.fs_type),
    )
    return {path: f"{roll.head.folder}/{name}" for path, name in names.items()}


def free_bytes(context: Context, drive: OnlineDrive) -> int:
    """Room on a drive; none where it can't be asked."""
    try:
        return context.files.free_bytes(drive.root)
    except OSError:
        return 0


def needed_bytes(
    context: Context, drive: OnlineDrive, roll: Roll, wanted: Iterable[RollFile]
) -> int:
    """Room that these files need on a drive, with some to work."""
    names = names_at(drive, roll)
    targets = ((drive.absolute(names[file.path]), file.size) for file in wanted)
    return room_needed(context.files, targets)


def no_room(drive: OnlineDrive, roll: Roll, needed: int) -> Trouble:
    """What is said where a roll does not fit."""
    return Trouble(
        place=drive.place.name,
        path=roll.head.folder,
        message=f"There is no room: {needed:,} bytes are needed.",
    )


def bring(
    context: Context,
    now: RollNow,
    wanted: Sequence[RollFile],
    target: OnlineDrive,
    sources: Mapping[PlaceId, OnlineDrive],
    run: Bringing,
    progress: Progress,
) -> None:
    """Copy what is wanted to the target, with the roll's empty folders and its manifest.

    Args:
        context: the world.
        now: the roll.
        wanted: those of its files that the target has not.
        target: the drive to write to; there is room.
        sources: drives that may be read from.
        run: told what was done.
        progress: told as it goes.

    Raises:
        OutOfReachError: a source is gone. (Of a target that is gone each file's trouble tells.)
    """
    roll = now.roll
    tasks = _tasks(now, wanted, target, sources, run)
    progress.begin(
        f"Mirroring {roll.head.folder} to {target.place.name}",
        total_bytes=sum(task.file.size for task in tasks),
        total_files=len(tasks),
    )
    pending: list[Fact] = []
    names = names_at(target, roll)
    try:
        while tasks:
            tasks = _copy_round(context, target, tasks, pending, run, progress)
    except BaseException:
        # All but one: while a file is wanted here, the next time comes back for the manifest too.
        context.catalog.record(facts=pending[:-1])
        raise
    for folder in roll.folders:
        _make_folder(context, target, names[folder], run)
    run.waiting += record_arrival(context, target, roll, pending=pending)
    context.catalog.record(facts=pending)
    _note_if_whole(context, target, roll, run)


def _tasks(
    now: RollNow,
    wanted: Sequence[RollFile],
    target: OnlineDrive,
    drives: Mapping[PlaceId, OnlineDrive],
    run: Bringing,
) -> list[_Task]:
    folder = now.roll.head.folder
    names = names_at(target, now.roll)
    tasks, homeless = [], 0
    for file in wanted:
        sources = [
            (drives[copy.place], copy)
            for copy in best_first(now.copies.get(file.content, ()), now.places)
            if copy.place in drives
            and drives[copy.place].holds(copy.path)
            and copy.place != target.place.id
            and copy.state in READABLE
        ]
        if not sources:
            homeless += 1
            continue
        place = target.absolute(names[file.path])
        tasks.append(_Task(file=file, target=place, sources=tuple(sources)))
    if homeless:
        run.waiting.append(
            f"{folder}: {homeless} files for {target.place.name} have no proven copy on a "
            "drive that is here."
        )
    return tasks


def _copy_round(
    context: Context,
    target: OnlineDrive,
    tasks: Sequence[_Task],
    pending: list[Fact],
    run: Bringing,
    progress: Progress,
) -> list[_Task]:
    """Copy each from its best source; return those whose source was bad, with the next one.

    ``pending`` are facts that are still to be recorded; the newest are left in it.
    """
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
    wrong: list[_Task] = []
    for batch in copy_files(jobs, [destination(target)], files=context.files, progress=progress):
        pairs = [(by_target[one.job.targets[target.place.id]], one) for one in batch]
        arrived = [_arrived(context, target, task, one, run) for task, one in pairs]
        facts = [fact for fact in arrived if fact is not None]
        if facts:  # one at least is always left pending
            context.catalog.record(facts=pending)
            pending[:] = facts
        wrong += [task for task, one in pairs if not _is_right(task, one) and not _unread(one)]
    return [again for task in wrong for again in _blame_source(context, task, run)]


def _is_right(task: _Task, copied: Copied) -> bool:
    return copied.content is not None and copied.content.blake3 == task.file.content


def _unread(copied: Copied) -> bool:
    """Whether the source was left alone because the target is gone: no fault of the source's."""
    error = copied.source_error
    return isinstance(error, OutOfReachError) and not isinstance(error, DriveGoneError)


def _arrived(
    context: Context, target: OnlineDrive, task: _Task, copied: Copied, run: Bringing
) -> Fact | None:
    """The fact of one file that landed; None, and perhaps a trouble, where it did not."""
    if copied.content is None or not _is_right(task, copied):
        if isinstance(copied.source_error, SystemShortError):
            run.tell("this machine", "", copied.source_error)
        return None
    landed = settled(target, task.target, copied.places[target.place.id])
    if isinstance(landed, BackupkeeperError):
        run.tell(target.place.name, task.file.path, landed)
        return None
    run.files += 1
    run.bytes += task.file.size
    if not landed.cold:
        run.not_cold[target.place.name] = landed.why_not_cold
    return landed_fact(context, target, task.target, copied.content, landed)


def _blame_source(context: Context, task: _Task, run: Bringing) -> list[_Task]:
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


def _make_folder(context: Context, target: OnlineDrive, path: str, run: Bringing) -> None:
    try:
        make_folders(context.files, target.root, path, target.guard)
    except BackupkeeperError as error:
        run.tell(target.place.name, path, error)


def _note_if_whole(context: Context, target: OnlineDrive, roll: Roll, run: Bringing) -> None:
    copies = copies_of(
        context.catalog.facts_of_roll(roll.head.id),
        {target.place.id: target.place},
        context.config.policy,
        context.clock.now(),
    )

    def is_proven(files: Iterable[Copy]) -> bool:
        return any(copy.state is CopyState.PROVEN for copy in files)

    if all(is_proven(copies.get(file.content, ())) for file in roll.files):
        run.rolls.append((roll.head.folder, target.place.name))
