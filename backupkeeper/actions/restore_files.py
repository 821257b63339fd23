"""Single files of a restore: brought and compared in the lanes' threads, then taken into account.

Promises:
1. What runs in a thread of a lane touches neither catalog nor progress.
2. What was found out about a copy on the way is recorded, and told where it was thought better.
"""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field

from backupkeeper.actions.context import Context
from backupkeeper.actions.giving import AnyGiver, BucketGiver
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.proving import prove_copy
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.restore_givers import StreamGiver, giver_of
from backupkeeper.actions.restore_lanes import Hands
from backupkeeper.actions.restore_plan import (
    Around,
    RollTasks,
    Task,
)
from backupkeeper.core.errors import (
    AsleepError,
    BackupkeeperError,
    DriveGoneError,
    MountChangedError,
    NameTakenError,
    NoKeyError,
    NoSpaceError,
    OutOfReachError,
    ReadError,
    ReadOnlyError,
)
from backupkeeper.core.model import BLOCK_BYTES, Blake3, Content, CopyState, Fact, Place, PlaceId
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.ranges import ranges_of
from backupkeeper.core.restoring import (
    Fate,
    NotThere,
    RestoreOutcome,
    RestorePlan,
)
from backupkeeper.ports.bucket import Bucket
from backupkeeper.transfer.regaining import Regained, Regaining, Wanted, WholeReading, read_whole
from backupkeeper.transfer.ring import AbandonedError


@dataclass(kw_only=True)
class RestoreRun:
    """What was done so far."""

    context: Context
    around: Around
    contents: Mapping[Blake3, Content] = field(default_factory=dict)
    restored_files: int = 0
    restored_bytes: int = 0
    kept_files: int = 0
    taken: dict[str, int] = field(default_factory=dict)
    not_there: list[NotThere] = field(default_factory=list)
    histories: list[str] = field(default_factory=list)
    renamed: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    not_cold: str = ""
    gone: set[PlaceId] = field(default_factory=set)
    """Places that stopped answering: they are asked no more."""
    moved: dict[PlaceId, int] = field(default_factory=dict)
    pending: list[tuple[RollTasks, list[Task]]] = field(default_factory=list)
    """Rolls with files that are being thawed, and these."""
    come_again: str = ""
    folders: set[str] = field(default_factory=set)
    """Folders that were made sure of."""
    proofs: list[Fact] = field(default_factory=list)
    """About objects that were fetched whole, still to be recorded."""
    further: tuple[str, ...] = ()
    """Digests to be made of every file as it is read back, beside what the catalog knows."""
    digests: dict[str, Mapping[str, str]] = field(default_factory=dict)
    """These, by path in the folder, of files that are there and right."""

    def tell(self, trouble: Trouble) -> None:
        """A trouble; one that comes back for every further file is told once."""
        if not any(
            (one.place, one.message) == (trouble.place, trouble.message) for one in self.troubles
        ):
            self.troubles.append(trouble)

    def has_all(self, roll: RollTasks) -> bool:
        """Whether every file of a roll was read back right, in this run."""
        names = (roll.names[file.path] for file in roll.now.roll.files)
        return all(f"{roll.folder}/{name}" in self.digests for name in names)

    def outcome(self, plan: RestorePlan, seconds: float) -> RestoreOutcome:
        """All of it, as a value."""
        return RestoreOutcome(
            plan=plan,
            done=True,
            restored_files=self.restored_files,
            restored_bytes=self.restored_bytes,
            kept_files=self.kept_files,
            taken=dict(self.taken),
            not_there=tuple(self.not_there),
            histories=tuple(self.histories),
            renamed=tuple(self.renamed),
            not_cold=self.not_cold,
            notes=tuple(self.notes),
            come_again=self.come_again,
            troubles=tuple(self.troubles),
            seconds=seconds,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Came:
    """What a worker came back with. Without anything else the file was read and is something else."""

    task: Task
    reading: WholeReading | None = None
    made: Regained | None = None
    givers: Sequence[AnyGiver] = ()
    error: BackupkeeperError | None = None


# In the lanes' threads: no catalog, no progress.


def bring_file(run: RestoreRun, task: Task, hands: Hands) -> Came:
    """One file, in a thread of its own: errors of this file only come back, others are raised."""
    try:
        return _compare(run, task, hands) if task.stands else _regain(run, task, hands)
    except (NoSpaceError, ReadOnlyError, DriveGoneError, MountChangedError, AbandonedError):
        raise
    except BackupkeeperError as error:
        return Came(task=task, error=error)


def _compare(run: RestoreRun, task: Task, hands: Hands) -> Came:
    """What stands there already: read from the medium and compared."""
    target = run.around.target
    folder, _, _ = task.path.rpartition("/")
    if not target.stays_on(target.absolute(folder).removeprefix(target.anchor.rstrip("/"))[1:]):
        return Came(task=task)

    def on_bytes(count: int) -> None:
        if hands.stopped():
            raise AbandonedError
        hands.on_bytes(count)

    content = run.contents[task.file.content]
    try:
        reading = read_whole(
            run.context.files,
            target.absolute(task.path),
            content,
            target.cold,
            on_bytes,
            run.further,
        )
    except ReadError:
        reading = None
    return Came(task=task, reading=reading)


def _regain(run: RestoreRun, task: Task, hands: Hands) -> Came:
    target, around = run.around.target, run.around
    content = run.contents[task.file.content]
    folder = task.path.rpartition("/")[0]
    if folder not in run.folders:  # making it syncs every folder above: once is enough
        target.make(run.context.files, folder)
        run.folders.add(folder)
    wanted = Wanted(
        path=target.absolute(task.path),
        content=content,
        mtime_ns=task.file.mtime_ns,
        cold=target.cold,
        further=run.further,
    )
    with ExitStack() as stack:
        givers = [
            giver_of(run.context, one.copy, content, _where(around, one.copy.place), stack)
            for one in task.sources
            if one.copy.place not in run.gone and not one.asleep
        ]

        def unreached() -> BackupkeeperError | None:
            return _trouble(run, givers)

        if not givers:
            return Came(task=task, error=OutOfReachError(_ASKED_NO_MORE))
        regaining = Regaining(
            run.context.files,
            wanted,
            givers,
            target.guard,
            hands.on_bytes,
            hands.stopped,
            unreached,
        )
        try:
            made = regaining.make()
        except BackupkeeperError as error:
            if error not in [one.trouble for one in givers]:
                raise
            return Came(task=task, givers=givers, error=error)
        unreached()  # what failed and was made up for need not be tried for the next file
        return Came(task=task, givers=givers, made=made)


def _trouble(run: RestoreRun, givers: Sequence[AnyGiver]) -> BackupkeeperError | None:
    """Why one of these can't be asked now; its place is asked no more."""
    for one in givers:
        if isinstance(one.trouble, OutOfReachError):
            if not isinstance(one.trouble, AsleepError | NoKeyError):
                run.gone.add(one.copy.place)
            return one.trouble
        if isinstance(one, BucketGiver) and one.trouble is not None:
            return one.trouble  # another object stands there: that says nothing of the bytes
    return None


_ASKED_NO_MORE = "The place that has it stopped answering and is asked no more."


def _where(around: Around, place: PlaceId) -> OnlineDrive | tuple[Place, Bucket]:
    drive = around.drives.get(place)
    return drive if drive is not None else (around.places[place], around.buckets[place])


# Back in the caller's thread.


def take_in(run: RestoreRun, came: Came) -> None:
    """Count and tell what became of one file; record what was found about its copies."""
    task = came.task
    for one in came.givers:
        # That the key to a file is not here is told with the file.
        is_told = isinstance(one.trouble, NoKeyError) and one.trouble is came.error
        if isinstance(one.trouble, OutOfReachError) and not is_told:
            run.tell(Trouble(place=one.name, path="", message=str(one.trouble)))
    if came.made is not None:
        _count(run, came, came.made)
        _blame(run, came, came.made)
    if came.error is not None:
        _failed(run, came, came.error)
    elif task.stands:
        if came.reading is None:
            missed(run, task, Fate.OTHER)
        else:
            run.kept_files += 1
            run.digests[task.path] = came.reading.digests
            run.not_cold = run.not_cold or came.reading.reading.why_not_cold
    elif came.made is not None and came.made.reading is not None:
        _prove_giver(run, came, came.made)
        run.digests[task.path] = came.made.digests
        run.restored_files += 1
        run.restored_bytes += task.file.size
        run.not_cold = run.not_cold or came.made.reading.why_not_cold
    else:
        assert came.made is not None
        run.not_there.append(
            NotThere(path=task.path, size=task.file.size, fate=Fate.LOST, lost=came.made.lost)
        )


def _failed(run: RestoreRun, came: Came, error: BackupkeeperError) -> None:
    why = str(error)
    if isinstance(error, NoKeyError):  # what to do about it is the same for all of them
        why = error.message
        who = next((one.name for one in came.givers if one.trouble is error), "")
        run.tell(Trouble(place=who, path="", message=error.advice))
    fate = Fate.OTHER if isinstance(error, NameTakenError) else Fate.FAILED
    missed(run, came.task, fate, why)


def missed(run: RestoreRun, task: Task, fate: Fate, why: str = "") -> None:
    """A file that was asked for and is not there now."""
    run.not_there.append(NotThere(path=task.path, size=task.file.size, fate=fate, why=why))


def _prove_giver(run: RestoreRun, came: Came, made: Regained) -> None:
    """An object that gave every byte of a file, which was right, was fetched back whole by that."""
    blocks = -(-came.task.file.size // BLOCK_BYTES)
    for number, taken in made.taken.items():
        giver = came.givers[number]
        if isinstance(giver, StreamGiver) and len(taken) == blocks:
            fact = giver.came_whole(run.context.clock.now())
            if fact is not None:
                run.proofs.append(fact)


def _count(run: RestoreRun, came: Came, made: Regained) -> None:
    size = came.task.file.size
    for number, blocks in made.taken.items():
        one = came.givers[number]
        count = sum(min(BLOCK_BYTES, size - block * BLOCK_BYTES) for block in blocks)
        run.taken[one.name] = run.taken.get(one.name, 0) + count
        run.moved[one.copy.place] = run.moved.get(one.copy.place, 0) + count


def _blame(run: RestoreRun, came: Came, made: Regained) -> None:
    """Copies that had a block wrong, or not at all, and were thought better: recorded and told."""
    file = came.task.file
    for number, blocks in made.wrong.items():
        giver = came.givers[number]
        if isinstance(giver.trouble, OutOfReachError) or giver.copy.state is CopyState.DAMAGED:
            continue
        if isinstance(giver, BucketGiver):
            if giver.trouble is not None:
                continue
            fact = giver.found(run.context.clock.now(), ranges_of(blocks, file.size))
        else:
            drive = run.around.drives[giver.copy.place]
            try:
                fact, _ = prove_copy(run.context, drive, giver.copy.path, file)
            except OutOfReachError as error:
                run.tell(Trouble(place=giver.name, path="", message=str(error)))
                continue
        record_seen(run.context, [fact])
        message = f"This copy could not be used for all of it: {fact.result}. {fact.note}"
        run.tell(Trouble(place=giver.name, path=giver.copy.path, message=message.strip()))
