"""Folders of a drive in which something changed: is anything gone, other than it was, or new?

Promises:
1. Only entries are looked at, but for what may have been moved (``actions.moved``): that is read, before
   anything is called gone, so that nothing is copied again meanwhile. Nothing is written to the drive.
2. A copy that is gone, or has another size, is recorded at once as a look's fact, so that nobody
   goes on believing in it; nothing that a look sees is ever a proof. A copy whose time alone
   changed makes its roll named; if that was after its proof it is proven no longer: reading tells.
3. Files elsewhere on the drive than in a folder laid out like a roll's are none of our business.
4. Nothing is looked at through a link or another mount.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from backupkeeper.actions.context import Context
from backupkeeper.actions.moved import find_moved
from backupkeeper.actions.moved_run import Again
from backupkeeper.actions.online import OnlineDrive, holding, online
from backupkeeper.actions.proving import MISSING_NUMBERS
from backupkeeper.actions.recording import record_seen
from backupkeeper.cards.walk import list_card
from backupkeeper.core.deeds import Strange
from backupkeeper.core.errors import DeviceError, ListingError, OutOfReachError, UsageError
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.model import (
    Blake3,
    CardListing,
    Copy,
    CopyState,
    Fact,
    PlaceId,
    Result,
    RollFile,
    RollHead,
    RollId,
    Way,
)
from backupkeeper.core.moving import Moved
from backupkeeper.core.naming import may_lead_to_rolls, parse_roll_folder
from backupkeeper.core.policy import copies_of
from backupkeeper.core.taking import same_time
from backupkeeper.manifests.mhl_model import FOLDER
from backupkeeper.manifests.old_list import tells_of_files
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.transfer.durable import is_temp_name
from backupkeeper.transfer.failures import read_failure

BELIEVED = frozenset({CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN})
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
OURS = ".backupkeeper"
"""What names of our own begin with."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Changes:
    """What a look found.

    ``rolls`` have a copy here that is gone, or has another size or time than the roll says;
    ``strange`` are folders laid out like a roll's with files that nothing here is known of. ``moved`` is
    what was found again at another path, ``read_bytes`` what was read for that.
    """

    rolls: tuple[RollId, ...]
    strange: tuple[Strange, ...]
    moved: tuple[Moved, ...] = ()
    read_bytes: int = 0


def look_at_changes(
    context: Context,
    place: PlaceId,
    folders: Sequence[str],
    progress: Progress | None = None,
) -> Changes:
    """Look at what lies in these folders of a drive (``""``: all of it), above or below them.

    Args:
        context: the world.
        place: a drive or folder place that is here.
        folders: relative to its root.
        progress: told of rolls as they are looked at, and of what is read.

    Raises:
        UsageError: no such place is known.
        OutOfReachError: it is not here, or goes away; or another program is at work on it.
        ReadError: its first folder can't be listed.
        SyncError: what was moved there could not be made durable.
    """
    progress = progress or Quiet()
    drive = drive_of(context, place)
    with holding(context, [drive], doing="looking at what changed"):
        # Before the catalog is asked: what is begun meanwhile, by another program, is known then.
        shaped = list(_roll_shaped(context, drive, "", folders))
        first = _first_look(context, drive, folders, progress)
        again = find_moved(
            context, drive, _suspects(context, drive, folders, first), progress, newly=True
        )
        rolls = tuple(_changed_rolls(context, drive, folders, first, again))
        known = KnownFolders(context)
        strange = [
            one
            for folder in shaped
            if not known.has(folder) and (one := _strange(context, drive, folder)) is not None
        ]
    return Changes(
        rolls=rolls, strange=tuple(strange), moved=again.moves, read_bytes=again.read_bytes
    )


def drive_of(context: Context, place: PlaceId) -> OnlineDrive:
    """The place, which must be here.

    Raises:
        UsageError: it is not known.
        OutOfReachError: it is not here.
    """
    known = next((one for one in context.catalog.places() if one.id == place), None)
    if known is None:
        raise UsageError("There is no such place.")
    found = online(context, known)
    if not isinstance(found, OnlineDrive):
        raise OutOfReachError(found)
    return found


def touches(folder: str, changed: Sequence[str]) -> bool:
    """Whether a folder is one of these, or lies above or below one."""
    return any(is_within(folder, one) or is_within(one, folder) for one in changed)


def is_within(path: str, folder: str) -> bool:
    """Whether a path is a folder's own, or lies below it; everything lies below ``""``."""
    return not folder or path == folder or path.startswith(f"{folder}/")


# -- rolls


@dataclass(frozen=True, kw_only=True, slots=True)
class _First:
    """Rolls after a first look: those of which something is not as it was, or was known to be missing."""

    other: list[RollHead]
    missing: list[RollId]


def _first_look(
    context: Context, drive: OnlineDrive, folders: Sequence[str], progress: Progress
) -> _First:
    """Look at every roll whose folder is touched; what is not as it was is not recorded yet."""
    heads = [head for head in context.catalog.rolls() if touches(head.folder, folders)]
    progress.begin(f"Looking at {drive.place.name}", total_bytes=0, total_files=len(heads))
    found = _First(other=[], missing=[])
    for head in heads:
        progress.file(head.folder)
        drive.guard()
        copies = _at_home(context, drive, head)
        if any(copy.state is CopyState.MISSING for copy in copies):
            found.missing.append(head.id)
        if _seen_of(context, drive, head, copies, folders):
            found.other.append(head)
        progress.advance(0, files=1)
    drive.guard()
    return found


def _suspects(
    context: Context, drive: OnlineDrive, folders: Sequence[str], first: _First
) -> list[RollId]:
    """Rolls of which something may have been moved: also those that lie elsewhere, where that changed."""
    known = KnownFolders(context)
    elsewhere = {
        fact.content
        for folder in folders
        if folder
        for fact in context.catalog.facts_at(drive.place.id, below=folder)
        if not known.has(fact.path)
    }
    found = {*(head.id for head in first.other), *first.missing}
    return sorted(found | context.catalog.rolls_with(elsewhere))


def _changed_rolls(
    context: Context, drive: OnlineDrive, folders: Sequence[str], first: _First, again: Again
) -> Iterator[RollId]:
    """Rolls of which something is not as it was, and was not found again: recorded now."""
    known = KnownFolders(context)
    away = [copy for copy in again.lost if not known.has(copy.path)]
    drive.guard()
    record_seen(context, [_gone(context, copy) for copy in away])
    for head in first.other:
        seen = _seen_of(context, drive, head, _at_home(context, drive, head), folders)
        if seen:
            _record(context, drive, seen)
            yield head.id


def _at_home(context: Context, drive: OnlineDrive, head: RollHead) -> list[Copy]:
    """Copies in a roll's own folder, by what is known."""
    groups = copies_of(
        context.catalog.facts_at(drive.place.id, below=head.folder),
        {drive.place.id: drive.place},
        context.config.policy,
        context.clock.now(),
    )
    return [copy for group in groups.values() for copy in group]


def _seen_of(
    context: Context,
    drive: OnlineDrive,
    head: RollHead,
    copies: Sequence[Copy],
    folders: Sequence[str],
) -> list[Fact | str]:
    """What speaks against copies that are believed in, where it changed; see ``_seen``."""
    known = BELIEVED | {CopyState.DAMAGED}
    copies = [copy for copy in copies if copy.state in known and touches(copy.path, folders)]
    if not copies:
        return []
    roll = context.catalog.roll(head.id)
    homes = possible_paths(head.folder, [*(f.path for f in roll.files), *roll.folders])
    files = {(home, f.content): f for f in roll.files for home in homes[f.path]}
    pairs = [(copy, files.get((copy.path, copy.content))) for copy in copies]
    seen = [_seen(context, drive, copy, file) for copy, file in pairs if file is not None]
    return [one for one in seen if one is not None]


def _record(context: Context, drive: OnlineDrive, seen: Sequence[Fact | str]) -> None:
    facts = [one for one in seen if isinstance(one, Fact)]
    if facts:
        drive.guard()  # gone as a whole? then it is no news about one file
        record_seen(context, facts)


def _gone(context: Context, copy: Copy) -> Fact:
    return Fact(
        at=context.clock.now(),
        place=copy.place,
        path=copy.path,
        content=copy.content,
        way=Way.LOOKED,
        result=Result.MISSING,
        evidence="looked at",
        note="not there when looked at",
    )


def _seen(context: Context, drive: OnlineDrive, copy: Copy, file: RollFile) -> Fact | str | None:
    """None where nothing speaks against it; a word where only its time does."""
    fact = _gone(context, copy)
    try:
        stat = context.files.stat(drive.absolute(copy.path))
    except OSError as error:
        if error.errno not in MISSING_NUMBERS:
            return None  # nothing was seen; a proof will tell
        return fact
    if stat.kind is not EntryKind.FILE or not drive.holds(copy.path):
        return replace(fact, note="something else stands there")
    if stat.size != file.size and copy.state is not CopyState.DAMAGED:
        note = f"{stat.size:,} bytes instead of {file.size:,}"
        return replace(fact, result=Result.CHANGED, note=note)
    # That a damaged one is not what it must be is known.
    if same_time(stat.mtime_ns, file.mtime_ns) or copy.state is CopyState.DAMAGED:
        return None
    return _doubt(fact, copy, stat.mtime_ns) or "time"


def _doubt(fact: Fact, copy: Copy, mtime_ns: int) -> Fact | None:
    """The proof speaks of other bytes, perhaps, where the file was written to since it was made.

    A look with a mark of its own outdates a proof without saying anything bad; reading tells.
    """
    if copy.proof is None or not _ns(copy.proof.at) < mtime_ns <= _ns(fact.at):
        return None
    note = "written to since it was proven"
    return replace(fact, result=Result.MATCHES, version=f"time:{mtime_ns}", note=note)


def _ns(at: datetime) -> int:
    return (at - EPOCH) // timedelta(microseconds=1) * 1000


# -- folders that no roll knows


def _roll_shaped(
    context: Context, drive: OnlineDrive, folder: str, changed: Sequence[str]
) -> Iterator[str]:
    """Every folder that is laid out like a roll's, of those that the changes touch."""
    template = context.config.layout.roll
    if parse_roll_folder(template, folder) is not None:
        yield folder
        return
    try:
        entries = sorted(context.files.list(drive.absolute(folder)))
    except OSError as error:
        if not folder:
            raise read_failure(drive.root, error) from error
        return  # it went away, or can't be looked into
    for name, kind in entries:
        path = f"{folder}/{name}" if folder else name
        if (
            kind is EntryKind.FOLDER
            and not name.startswith(OURS)
            and touches(path, changed)
            and may_lead_to_rolls(template, path)
            and drive.stays_on(path)
        ):
            yield from _roll_shaped(context, drive, path, changed)


def _strange(context: Context, drive: OnlineDrive, folder: str) -> Strange | None:
    try:
        listing = originals_in(context, drive, folder)
    except (DeviceError, ListingError, OutOfReachError, UsageError):
        drive.guard()
        return None  # it went away, or can't be looked into
    if not listing.files or are_all_known(context, drive, folder, listing):
        return None
    return Strange(
        place=drive.place.id,
        folder=folder,
        size_bytes=sum(entry.size for entry in listing.files),
        files=len(listing.files),
    )


class KnownFolders:
    """Where the rolls lie that are sealed or begun."""

    def __init__(self, context: Context) -> None:
        sealed = (roll.folder for roll in context.catalog.rolls())
        self._folders = {*sealed, *(roll.folder for roll in context.catalog.open_rolls())}
        self._above = {above for folder in self._folders for above in _and_above(folder)}

    def has(self, folder: str) -> bool:
        """Whether a roll lies in this folder, above it or below it."""
        return folder in self._above or not self._folders.isdisjoint(_and_above(folder))


def _and_above(folder: str) -> Iterator[str]:
    while folder:
        yield folder
        folder = folder.rpartition("/")[0]


def originals_in(context: Context, drive: OnlineDrive, folder: str) -> CardListing:
    """What lies in a roll's folder, as on a card, without what is ours and the manifests.

    Raises:
        DriveGoneError, UsageError: there is no such folder.
        ReadError: it can't be listed.
        ListingError: it shows more entries than can be.
    """
    found = list_card(context.files, drive.absolute(folder))
    return replace(
        found,
        files=tuple(entry for entry in found.files if not _is_ours(entry.path)),
        empty_folders=tuple(path for path in found.empty_folders if not _is_ours(path)),
        left_out=tuple(item for item in found.left_out if not _is_ours(item[0])),
        specials=tuple(item for item in found.specials if not _is_ours(item[0])),
        unreadable=tuple(item for item in found.unreadable if not _is_ours(item[0])),
    )


def _is_ours(path: str) -> bool:
    parts = path.split("/")
    return parts[0] == FOLDER or parts[0].startswith(OURS) or is_temp_name(parts[-1])


def are_all_known(context: Context, drive: OnlineDrive, folder: str, listing: CardListing) -> bool:
    """Whether each file is known here by content, though under the roll of another folder.

    A roll is known by its content: the same files in two folders are one roll, taken in once. What
    older hashes lie beside them is not asked, for each place has its own.
    """
    newest: dict[tuple[str, Blake3], Fact] = {}
    for fact in context.catalog.facts_at(drive.place.id, below=folder):
        before = newest.get((fact.path, fact.content))
        if before is None or before.at <= fact.at:
            newest[fact.path, fact.content] = fact
    right = {pair for pair, fact in newest.items() if fact.result is Result.MATCHES}
    sealed = context.catalog.sealed_among(content for _, content in right)
    sizes = context.catalog.contents(sealed)
    known = {(path, sizes[content].size) for path, content in right if content in sealed}
    footage = [entry for entry in listing.files if not tells_of_files(entry.path)] or listing.files

    return all((f"{folder}/{entry.path}", entry.size) in known for entry in footage)
