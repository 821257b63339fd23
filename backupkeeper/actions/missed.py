"""Files of rolls that are not where they were on a drive, and files of their size that nobody knows.

Promises:
1. Only entries are looked at; no file is opened, nothing is written.
2. A file that stands where it was is not missed: a second one somewhere else is no move.
3. What lies in a system's trash is not found, nor anything through a link or on another device.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from backupkeeper.actions.context import Context
from backupkeeper.actions.one_roll import RollNow, roll_now
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.proving import MISSING_NUMBERS
from backupkeeper.cards.leaveout import file_litter, folder_litter
from backupkeeper.core.errors import DriveGoneError
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.lying import THERE, Elsewhere
from backupkeeper.core.model import Blake3, Copy, CopyState, Fact, Result, RollFile, RollId
from backupkeeper.core.moving import Found, Gone
from backupkeeper.manifests.mhl_model import FOLDER
from backupkeeper.ports.files import EntryKind, Stat
from backupkeeper.transfer.durable import is_temp_name

OURS = ".backupkeeper"
"""What names of our own begin with."""
_NEVER = datetime(1, 1, 1, tzinfo=UTC)


Owner = tuple[RollId, str]
"""A file of a roll: the roll, and the file's path in it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Missed:
    """A file that is not where it was.

    ``stale``: the copy that is believed in and is not there; None where it is known to be missing.
    ``known``: another path at which it is proven, and something stands, where its roll's own folder has
    it no longer. ``owners``: whose it is; two rolls may share one.
    """

    gone: Gone
    stale: Copy | None = None
    known: str | None = None
    owners: set[Owner]


def missed_files(context: Context, drive: OnlineDrive, rolls: Iterable[RollId]) -> list[Missed]:
    """Files of these rolls that a drive had and that are not where they were.

    Raises:
        DriveGoneError: the drive went: it is no news about any file.
        MountChangedError: something else is there.
    """
    found: dict[tuple[str, Blake3], Missed] = {}
    trees = frozenset(head.folder for head in context.catalog.rolls())
    for roll in rolls:
        drive.guard()
        for one in _missed_of(context, drive, roll_now(context, roll), trees):
            known = found.setdefault((one.gone.path, one.gone.content), one)
            known.owners.update(one.owners)
    drive.guard()
    return list(found.values())


def _missed_of(
    context: Context, drive: OnlineDrive, now: RollNow, trees: frozenset[str]
) -> Iterator[Missed]:
    roll = now.roll
    homes = possible_paths(roll.head.folder, [*(f.path for f in roll.files), *roll.folders])
    elsewhere = Elsewhere(roll.head.folder, homes, trees)
    for file in roll.files:
        mine = [
            copy
            for copy in now.copies.get(file.content, ())
            if copy.place == drive.place.id and elsewhere.may_be_its(file, copy.path)
        ]
        home = homes[file.path]
        # Where its own folder has it, or should, that is told first.
        mine.sort(key=lambda copy: (copy.path not in home, copy.path))
        yield from _missed_among(context, drive, (roll.head.id, file), mine, home)


def _missed_among(
    context: Context,
    drive: OnlineDrive,
    whose: tuple[RollId, RollFile],
    mine: Sequence[Copy],
    home: Collection[str],
) -> Iterator[Missed]:
    roll, file = whose

    def missed(copy: Copy, *, is_stale: bool, known: str | None = None) -> Missed:
        return Missed(
            gone=Gone(path=copy.path, content=copy.content, size=file.size, mtime_ns=file.mtime_ns),
            stale=copy if is_stale else None,
            known=known,
            owners={(roll, file.path)},
        )

    there = {copy.path for copy in mine if not is_gone(context, drive, copy.path)}
    believed = [copy for copy in mine if copy.state in THERE]
    stale = [copy for copy in believed if copy.path not in there]
    proven = (copy.path for copy in believed if copy.state is CopyState.PROVEN)
    known = next((path for path in proven if path in there), None)
    for copy in stale:
        yield missed(copy, is_stale=True, known=known if copy.path in home else None)
    if mine and not stale and not there:
        yield missed(max(mine, key=_last_seen), is_stale=False)


def _last_seen(copy: Copy) -> datetime:
    """Where it was to the last was called missing last."""
    return copy.latest.at if copy.latest is not None else _NEVER


def is_gone(context: Context, drive: OnlineDrive, path: str) -> bool:
    """Whether nothing stands there (what else does, or can't be looked at, is for a reading to tell)."""
    if not drive.holds(path):
        return True  # its folder leads off the drive now
    try:
        context.files.stat(drive.absolute(path))
    except OSError as error:
        return error.errno in MISSING_NUMBERS
    return False


def found_files(context: Context, drive: OnlineDrive, sizes: frozenset[int]) -> Iterator[Found]:
    """Files of these sizes, anywhere on the drive but in our own folders and in trash.

    What can't be listed, or looked at, is passed over: nothing is found there.

    Raises:
        DriveGoneError: the drive is gone.
    """
    try:
        device = context.files.stat(drive.root).device
    except OSError as error:
        raise DriveGoneError(drive.place.name, drive.root) from error
    waiting = [""]
    while waiting:
        for path, stat in _entries(context, drive, waiting.pop()):
            if stat.device != device:
                continue
            if stat.kind is EntryKind.FOLDER and folder_litter(path) is None:
                waiting.append(path)
            elif stat.kind is EntryKind.FILE and stat.size in sizes and not file_litter(path):
                yield Found(path=path, size=stat.size, mtime_ns=stat.mtime_ns)


def _entries(context: Context, drive: OnlineDrive, folder: str) -> list[tuple[str, Stat]]:
    """What stands in a folder, but for what is ours and manifests."""
    found = []
    try:
        names = sorted(name for name, _ in context.files.list(drive.absolute(folder)))
    except OSError:
        return []
    for name in names:
        if name.startswith(OURS) or is_temp_name(name) or name == FOLDER:
            continue
        path = f"{folder}/{name}" if folder else name
        try:
            found.append((path, context.files.stat(drive.absolute(path))))
        except OSError:
            continue
    return found


def is_unknown(context: Context, drive: OnlineDrive, path: str) -> bool:
    """Whether no roll's file is believed to stand at a path: nothing was said of it, or that it was gone."""
    newest: dict[Blake3, Fact] = {}
    for fact in context.catalog.facts_at(drive.place.id, below=path):
        if fact.path == path and (fact.content not in newest or newest[fact.content].at <= fact.at):
            newest[fact.content] = fact
    return all(fact.result is Result.MISSING for fact in newest.values())
