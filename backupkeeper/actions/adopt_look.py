"""The first look of ``adopt`` at a place: which folders would become rolls, and why; nothing is hashed.

Promises:
1. Only entries are looked at, and old hashes read; nothing is written, no link or mount followed.
2. Memory goes with the number of folders and lists that are told, and with the files of one roll.
3. Every file that is met (but checksum lists between rolls) is counted in one of: a roll, an unplaced folder, a left-out folder, others.
"""

import os.path
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from backupkeeper.actions.changes import OURS, are_all_known, drive_of, originals_in, touches
from backupkeeper.actions.context import Context
from backupkeeper.actions.found_history import BY_MANIFESTS, found_history, roll_of
from backupkeeper.actions.online import OnlineDrive, relative_to
from backupkeeper.actions.rates import rate_from
from backupkeeper.cards.leaveout import LOST_AND_FOUND, folder_litter, is_clip
from backupkeeper.core.adopting import (
    BY_DATES,
    FOR_EDITS,
    AdoptPlan,
    AdoptWish,
    FoundFolder,
    FoundRoll,
    Named,
    OldHashes,
    OldSource,
    named_by_dates,
    named_by_wish,
    suggested,
    validate_wish,
    why_not_named,
)
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError, UsageError
from backupkeeper.core.model import Place, PlaceKind
from backupkeeper.core.naming import parse_roll_folder
from backupkeeper.core.outcomes import Trouble
from backupkeeper.manifests.mhl_model import FOLDER
from backupkeeper.manifests.old_list import kind_of_list
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress

CARD_FOLDER = "DCIM"
"""A folder with it was a card's root (DCF 2.0, STANDARDS section 8.1)."""
DEEPEST = 200
READINGS = 2
"""Each file is read so often: to learn its content, and to prove it."""


@dataclass(kw_only=True)
class _Count:
    """What lies in a folder and below it."""

    files: int = 0
    clips: int = 0
    size_bytes: int = 0
    old: list[OldSource] = field(default_factory=list)
    cards: list[str] = field(default_factory=list)
    """Folders below it that look like cards by themselves."""


@dataclass(kw_only=True)
class _Look:
    context: Context
    drive: OnlineDrive
    wish: AdoptWish
    start: str
    progress: Progress
    rolls: list[FoundRoll] = field(default_factory=list)
    unplaced: list[FoundFolder] = field(default_factory=list)
    left_out: list[FoundFolder] = field(default_factory=list)
    others: dict[str, _Count] = field(default_factory=dict)
    troubles: list[Trouble] = field(default_factory=list)


def place_named(context: Context, name: str) -> Place:
    """The drive or folder place of a name.

    Raises:
        UsageError: there is none, or it is a bucket.
    """
    for place in context.catalog.places():
        if place.name.casefold() == name.casefold():
            if place.kind is PlaceKind.BUCKET:
                raise UsageError(
                    f"{place.name} is a bucket; what lies on drives is taken in.",
                    advice="For rolls in a bucket: backupkeeper rebuild --merge --take-in --from s3://...",
                )
            return place
    raise UsageError(
        f"No place is called {name}.",
        advice="backupkeeper place list shows them; place add adds one.",
    )


def look_for_rolls(context: Context, wish: AdoptWish, progress: Progress) -> AdoptPlan:
    """Everything below a folder of a place, put into what it could be.

    Args:
        context: the world.
        wish: what the person asked for.
        progress: told of folders as they are looked at.

    Raises:
        UsageError: the place, the folder, the layout or a name can't be used.
        OutOfReachError: the place is not here, or goes.
    """
    validate_wish(wish)
    drive = drive_of(context, place_named(context, wish.place).id)
    start = _start(context, drive, wish.path)
    look = _Look(context=context, drive=drive, wish=wish, start=start, progress=progress)
    progress.begin(f"Looking at {drive.place.name}", total_bytes=0, total_files=0)
    _walk(look, start, _above(look, start))
    drive.guard()
    progress.end()
    rate = wish.rate or rate_from(context, drive.place.id)
    new = sum(roll.size_bytes for roll in look.rolls if not roll.known)
    return AdoptPlan(
        place=drive.place.name,
        path=start,
        rolls=tuple(look.rolls),
        unplaced=tuple(look.unplaced),
        left_out=tuple(look.left_out),
        others=tuple(
            FoundFolder(folder=top, why="", files=one.files, size_bytes=one.size_bytes)
            for top, one in sorted(look.others.items())
        ),
        troubles=tuple(look.troubles),
        rate=rate,
        seconds=READINGS * new / rate if rate else None,
    )


def _start(context: Context, drive: OnlineDrive, path: str) -> str:
    """The folder that was named, relative to the drive's root."""
    if os.path.isabs(path):
        whole = os.path.realpath(path)
        if whole != drive.root and not whole.startswith(f"{drive.root.rstrip('/')}/"):
            raise UsageError(f"{path} does not lie on {drive.place.name} ({drive.root}).")
        path = relative_to(drive, whole)
    parts = [part for part in path.split("/") if part not in {"", "."}]
    start = "/".join(parts)
    if ".." in parts or "\0" in path or not drive.stays_on(start):
        raise UsageError(f"{path} leads off {drive.place.name}, through a link or another mount.")
    try:
        is_folder = context.files.stat(drive.absolute(start)).kind is EntryKind.FOLDER
    except OSError:
        is_folder = False
    if not is_folder:
        drive.guard()
        raise UsageError(f"There is no folder {start} on {drive.place.name}.")
    return start


def _above(look: _Look, start: str) -> tuple[OldSource, ...]:
    """Old hashes in the folders above the one that was named, which may speak of it."""
    old: list[OldSource] = []
    parts = start.split("/") if start else []
    for depth in range(len(parts)):
        folder = "/".join(parts[:depth])
        old += _old_in(folder, _entries(look, folder))
    return tuple(old)


def _entries(look: _Look, folder: str) -> list[tuple[str, EntryKind]]:
    try:
        return sorted(look.context.files.list(look.drive.absolute(folder)))
    except OSError as error:
        look.drive.guard()
        message = f"The folder can't be listed: {error.strerror}."
        look.troubles.append(Trouble(place=look.drive.place.name, path=folder, message=message))
        return []


def _old_in(folder: str, entries: Sequence[tuple[str, EntryKind]]) -> Iterator[OldSource]:
    for name, kind in entries:
        if kind is EntryKind.FOLDER and name == FOLDER:
            yield OldSource(kind=OldHashes.HISTORY, path=_join(folder, name), scope=folder)
        elif kind is EntryKind.FILE and kind_of_list(name) is not None:
            yield OldSource(kind=OldHashes.LIST, path=_join(folder, name), scope=folder)


def _join(folder: str, name: str) -> str:
    return f"{folder}/{name}" if folder else name


# -- the walk


def _walk(look: _Look, folder: str, above: tuple[OldSource, ...]) -> None:
    """One folder that is no roll yet: is it one, or what lies in it?"""
    waiting = [(folder, above)]
    while waiting:
        here, above = waiting.pop()
        look.progress.file(here)
        look.drive.guard()
        entries = _entries(look, here)
        if _is_taken(look, here, entries, above):
            continue
        below = (*above, *_old_in(here, entries))
        folders = []
        for name, kind in entries:
            path = _join(here, name)
            if kind is EntryKind.FILE:
                if not name.startswith(OURS) and kind_of_list(name) is None:
                    _count_other(look, path)
            elif kind is EntryKind.FOLDER and not _is_none_of_ours(path, name):
                if path.count("/") >= DEEPEST or not look.drive.stays_on(path):
                    why = "leads off the drive, or lies too deep"
                    look.left_out.append(FoundFolder(folder=path, why=why, files=0, size_bytes=0))
                else:
                    folders.append((path, below))
        waiting += reversed(folders)


def _is_none_of_ours(path: str, name: str) -> bool:
    """Ours, a manifest's, or a system's: nobody put footage there."""
    own = name.startswith(OURS) or name == FOLDER
    return own or folder_litter(path) is not None or path == LOST_AND_FOUND


def _count_other(look: _Look, path: str) -> None:
    one = look.others.setdefault(path.partition("/")[0] if "/" in path else "", _Count())
    one.files += 1
    one.size_bytes += _size(look, path)


def _size(look: _Look, path: str) -> int:
    try:
        return look.context.files.stat(look.drive.absolute(path)).size
    except OSError:
        return 0  # its reading will tell


def _is_taken(
    look: _Look,
    folder: str,
    entries: Sequence[tuple[str, EntryKind]],
    above: tuple[OldSource, ...],
) -> bool:
    """Whether this folder, with all that lies in it, was put somewhere; else its parts are looked at."""
    named = _named(look, folder, entries)
    if named is not None:
        count = _count(look, folder)
        guessed = named.why == BY_DATES
        if not count.files or (guessed and not count.clips and not _has_history(entries)):
            return False
        if count.cards and guessed:
            why = f"it holds folders that look like cards by themselves, such as {count.cards[0]}"
            _put_aside(look, folder, count, why)
        else:
            _put_roll(look, folder, named, count, above)
        return True
    if folder.rpartition("/")[2].casefold() in FOR_EDITS and folder != look.start:
        count = _count(look, folder)
        if count.cards or _has_history(entries):
            return False
        why = "named like a folder for edits; no card and no history lies in it"
        look.left_out.append(
            FoundFolder(folder=folder, why=why, files=count.files, size_bytes=count.size_bytes)
        )
        return True
    holds = {name for name, kind in entries if kind is EntryKind.FOLDER}
    has_clips = any(kind is EntryKind.FILE and is_clip(name) for name, kind in entries)
    if CARD_FOLDER in holds or has_clips:
        _put_aside(look, folder, _count(look, folder), why_not_named(_below_start(look, folder)))
        return True
    return False


def _has_history(entries: Sequence[tuple[str, EntryKind]]) -> bool:
    return (FOLDER, EntryKind.FOLDER) in entries


def _below_start(look: _Look, folder: str) -> str:
    """As the options of the command count it."""
    return folder.removeprefix(look.start).lstrip("/") if look.wish.path else folder


def _named(look: _Look, folder: str, entries: Sequence[tuple[str, EntryKind]]) -> Named | None:
    own = named_by_wish(look.wish, folder.removeprefix(look.start).lstrip("/"))
    if own is not None:
        return own
    parsed = parse_roll_folder(look.context.config.layout.roll, folder)
    if parsed is not None:
        return Named(
            shoot=parsed[0], source=parsed[1], roll=parsed[2], why="laid out like your rolls"
        )
    if look.wish.layout is not None or look.wish.shoot is not None:
        return None
    by_history = _named_by_history(look, folder) if _has_history(entries) else None
    return by_history or named_by_dates(folder)


def _named_by_history(look: _Look, folder: str) -> Named | None:
    """What the manifests in a folder call it, if they name the very files of a known roll."""
    try:
        head = roll_of(look.context, found_history(look.context, look.drive, folder))
    except BackupkeeperError:
        return None  # its taking in will tell
    if head is None:
        return None
    return Named(shoot=head.shoot, source=head.source, roll=head.name, why=BY_MANIFESTS)


def _count(look: _Look, top: str) -> _Count:
    """Everything below a folder, without what is ours; nothing of it is kept but sums."""
    count = _Count()
    waiting = [top]
    while waiting:
        here = waiting.pop()
        entries = _entries(look, here)
        count.old += _old_in(here, entries)
        if here != top and (_has_history(entries) or (CARD_FOLDER, EntryKind.FOLDER) in entries):
            count.cards.append(here)
        for name, kind in entries:
            path = _join(here, name)
            if name.startswith(OURS) or (name == FOLDER and kind is EntryKind.FOLDER):
                continue
            if kind is EntryKind.FOLDER and path.count("/") < DEEPEST:
                if look.drive.stays_on(path):
                    waiting.append(path)
            elif kind is EntryKind.FILE:
                count.files += 1
                count.clips += is_clip(name)
                count.size_bytes += _size(look, path)
    return count


def _put_aside(look: _Look, folder: str, count: _Count, why: str) -> None:
    look.unplaced.append(
        FoundFolder(
            folder=folder,
            why=why,
            files=count.files,
            size_bytes=count.size_bytes,
            options=suggested(_below_start(look, folder)),
        )
    )


def _put_roll(
    look: _Look, folder: str, named: Named, count: _Count, above: tuple[OldSource, ...]
) -> None:
    if not folder:
        _put_aside(look, folder, count, "a whole place can't be one roll: move it into a folder")
        return
    opened = [one.folder for one in look.context.catalog.open_rolls()]
    if touches(folder, opened):
        _put_aside(look, folder, count, "an offload into it was begun and not finished")
        return
    look.rolls.append(
        FoundRoll(
            folder=folder,
            named=named,
            files=count.files,
            clips=count.clips,
            size_bytes=count.size_bytes,
            old=(*above, *count.old),
            known=_known(look, folder),
        )
    )


def _known(look: _Look, folder: str) -> str:
    """Why a folder needs no taking in; empty where it does."""
    context, drive = look.context, look.drive
    if next(context.catalog.facts_at(drive.place.id, below=folder), None) is None:
        return ""  # so its files need not be listed once more
    try:
        listing = originals_in(context, drive, folder)
    except OutOfReachError:
        raise
    except BackupkeeperError:
        return ""  # its taking in will tell
    if not are_all_known(context, drive, folder, listing):
        return ""
    own = any(head.folder == folder for head in context.catalog.rolls())
    return "a roll already" if own else "known here already, as the footage of other rolls"
