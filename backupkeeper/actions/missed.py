"""Files of rolls that are not where they were on a drive, and files of their size that nobody knows.

Promises:
1. Only entries are looked at; no file is opened, nothing is written.
2. A file that stands where it was is not missed: a second one somewhere else is no move. Where its entry
   says that it is another it is named too; only its bytes tell.
3. What lies in a system's trash is not found, nor anything through a link or on another device.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from backupkeeper.actions.beliefs import Beliefs, Unseen, entry_at, is_file
from backupkeeper.actions.context import Context
from backupkeeper.actions.one_roll import RollNow, roll_now, trees_of
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.cards.leaveout import file_litter, folder_litter
from backupkeeper.core.errors import DriveGoneError
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.lying import THERE, Elsewhere, Trees
from backupkeeper.core.model import Blake3, Copy, CopyState, RollFile, RollId
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
    it no longer. ``suspect``: the copy that is believed in where something stands that can't be it by
    size and time: an edit, mostly, or what changed places with another. ``owners``: whose it is; two rolls
    may share one.
    """

    gone: Gone
    stale: Copy | None = None
    known: str | None = None
    suspect: Copy | None = None
    owners: set[Owner]


def missed_files(
    context: Context, drive: OnlineDrive, rolls: Iterable[RollId], beliefs: Beliefs
) -> list[Missed]:
    """Files of these rolls that a drive had and that are not where they were, or not by their entries.

    Raises:
        DriveGoneError: the drive went: it is no news about any file.
        MountChangedError: something else is there.
    """
    found: dict[tuple[str, Blake3], Missed] = {}
    trees = trees_of(context)
    for roll in rolls:
        drive.guard()
        for one in _missed_of(context, drive, roll_now(context, roll), trees, beliefs):
            known = found.setdefault((one.gone.path, one.gone.content), one)
            known.owners.update(one.owners)
    drive.guard()
    return list(found.values())


def _missed_of(
    context: Context, drive: OnlineDrive, now: RollNow, trees: Trees, beliefs: Beliefs
) -> Iterator[Missed]:
    roll = now.roll
    homes = possible_paths(roll.head.folder, [*(f.path for f in roll.files), *roll.folders])
    elsewhere = Elsewhere(roll.head.folder, roll.files, homes, trees)
    look = _Look(context, drive, beliefs)
    for file in roll.files:
        mine = [
            copy
            for copy in now.copies.get(file.content, ())
            if copy.place == drive.place.id and elsewhere.may_be_its(file, copy.path)
        ]
        home = homes[file.path]
        # Where its own folder has it, or should, that is told first.
        mine.sort(key=lambda copy: (copy.path not in home, copy.path))
        yield from look.missed((roll.head.id, file), mine, home)


@dataclass(frozen=True, slots=True)
class _Look:
    context: Context
    drive: OnlineDrive
    beliefs: Beliefs

    def missed(
        self, whose: tuple[RollId, RollFile], mine: Sequence[Copy], home: Collection[str]
    ) -> Iterator[Missed]:
        """Of one file, of which these are the copies here that may be its own."""
        roll, file = whose

        def missed(
            copy: Copy,
            *,
            stale: Copy | None = None,
            suspect: Copy | None = None,
            known: str | None = None,
        ) -> Missed:
            return Missed(
                gone=Gone(
                    path=copy.path, content=copy.content, size=file.size, mtime_ns=file.mtime_ns
                ),
                stale=stale,
                suspect=suspect,
                known=known,
                owners={(roll, file.path)},
            )

        entries = {copy.path: entry_at(self.context, self.drive, copy.path) for copy in mine}
        there = {copy.path for copy in mine if self._stands(copy, entries[copy.path])}
        believed = [copy for copy in mine if copy.state in THERE]
        stale = [copy for copy in believed if copy.path not in there]
        proven = (copy.path for copy in believed if copy.state is CopyState.PROVEN)
        known = next((path for path in proven if path in there), None)
        for copy in stale:
            yield missed(copy, stale=copy, known=known if copy.path in home else None)
        for copy in believed:
            if copy.path in there and self._is_other(file, entries[copy.path]):
                yield missed(copy, suspect=copy)
        if mine and not stale and not there:
            yield missed(max(mine, key=_last_seen))

    def _stands(self, copy: Copy, entry: Stat | Unseen) -> bool:
        """Whether it may stand there: not where it is known to be gone, and another one to stand there."""
        if entry is Unseen.NOTHING:
            return False
        return copy.state is not CopyState.MISSING or not self.beliefs.at(copy.path)

    def _is_other(self, file: RollFile, entry: Stat | Unseen) -> bool:
        if not is_file(entry):
            return False  # its reading tells
        owned = [(file.size, file.mtime_ns)]
        return not self.beliefs.may_be(owned, entry.size, entry.mtime_ns)


def _last_seen(copy: Copy) -> datetime:
    """Where it was to the last was called missing last."""
    return copy.latest.at if copy.latest is not None else _NEVER


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
