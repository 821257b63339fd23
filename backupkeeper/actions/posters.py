"""Posters of clips: made from proven copies on drives that are here, and handed out.

Promises:
1. No card is opened: only copies on places are read, and of these only proven ones.
2. Nothing is written but posters, beside the catalog, and which rolls want some (an event). No fact, state, gap or verdict hangs on them.
3. It is in nobody's way: no place is held. Before each clip it is looked whether another program of
   ours is at work on the drive; if so it is left to that, and told.
4. What was made stays, wherever the work is broken off; a clip that could not be understood is not
   tried again, one that a drive would not give is.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import BinaryIO, Final, cast

from backupkeeper.actions.context import Context
from backupkeeper.actions.one_roll import RollNow, roll_now
from backupkeeper.actions.online import OnlineDrive, online_drives
from backupkeeper.actions.selection import Selection, resolve
from backupkeeper.cards.clips import is_installed
from backupkeeper.cards.posters import is_pictured, make_poster
from backupkeeper.catalog.posters import PosterShelf
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Event,
    EventKind,
    PlaceId,
    Roll,
    RollFile,
    RollId,
)
from backupkeeper.core.outcomes import OffloadOutcome
from backupkeeper.core.policy import best_first
from backupkeeper.core.posters import ENDED, SOUND_ONLY, Poster, PostersOutcome
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.stream import FileStream

NO_LIBRARY: Final = (
    "The library that reads clips is not installed (the extra `media`), so there are no posters."
)
MOST_ENDED: Final = 5
"""So many clips of a roll may end their reader in one run; then the rest of the roll is left."""
LEFT: Final = "{folder}: {count} of its clips ended their reader, so the rest of it was left."
AWAY: Final = "No proven copy is on a drive that is here ({count})."
IN_USE: Final = "{drive} is used by another program of ours ({doing})."
UNREAD: Final = "The copy could not be read ({count})."
"""Checking copies is for ``verify``: a poster says nothing about them."""


def posters_of(context: Context, contents: Iterable[Blake3]) -> Mapping[Blake3, Poster]:
    """The posters that there are, by content; reads a small file for each."""
    shelf = shelf_of(context)
    found = {content: shelf.get(content) for content in contents}
    return {content: poster for content, poster in found.items() if poster is not None}


def shelf_of(context: Context) -> PosterShelf:
    """Where the posters are."""
    return PosterShelf(context.files, context.config.catalog.path)


def posters(context: Context, what: str | None, progress: Progress) -> PostersOutcome:
    """Make the posters that are missing of what is named (nothing: of everything).

    Args:
        context: the world.
        what: a place's name, a shoot, a roll or a path; see ``selection.resolve``.
        progress: told as it goes.

    Raises:
        UsageError: nothing of that name is known.
        WriteError: a poster could not be kept.
    """
    return _make(context, resolve(context, what), progress)


def posters_of_folders(
    context: Context, folders: Iterable[str], progress: Progress, place: PlaceId | None = None
) -> PostersOutcome:
    """The same for rolls that are known by their folders; others than sealed ones are passed over.

    Args:
        context: the world.
        folders: of rolls.
        progress: told as it goes.
        place: the one drive to read from; None: any that is here.

    Raises:
        WriteError: a poster could not be kept.
    """
    wanted = frozenset(folders)
    rolls = tuple(head.id for head in context.catalog.rolls() if head.folder in wanted)
    return _make(context, Selection(rolls=rolls, place=place), progress)


def posters_after(context: Context, outcome: OffloadOutcome, progress: Progress) -> PostersOutcome:
    """The posters of the rolls that a card lies in now, at the end of an offload by hand.

    What is broken off, or put off because a drive is used, is remembered for a daemon.

    Raises:
        WriteError: a poster could not be kept.
    """
    onto = [place.id for place in context.catalog.places() if place.name in outcome.places]
    _remember(context, outcome.folders, json.dumps(onto))
    made = posters_of_folders(context, outcome.folders, progress)
    if is_installed() and not made.put_off:
        _remember(context, outcome.folders, "")
    return made


def _remember(context: Context, folders: Iterable[str], wanted: str) -> None:
    now = context.clock.now()
    context.catalog.note(
        Event(at=now, kind=EventKind.POSTERS, subject=folder, detail=wanted) for folder in folders
    )


@dataclass(kw_only=True)
class _Run:
    """What happened so far."""

    drives: Mapping[PlaceId, OnlineDrive]
    shelf: PosterShelf
    made: int = 0
    known: int = 0
    away: int = 0
    unread: int = 0
    left: int = 0
    put_off: int = 0
    read_bytes: int = 0
    bare: list[tuple[str, str]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def say(self, sentence: str) -> None:
        """Tell it, once."""
        if sentence not in self.said:
            self.said.append(sentence)


def _make(context: Context, chosen: Selection, progress: Progress) -> PostersOutcome:
    begun = context.clock.monotonic()
    can = is_installed()
    drives = online_drives(context)[0] if can else []
    run = _Run(
        drives={one.place.id: one for one in drives if chosen.place in {None, one.place.id}},
        shelf=shelf_of(context),
    )
    for roll_id in chosen.rolls:
        roll = context.catalog.roll(roll_id)
        lacking = _lacking(roll, chosen, run)
        if lacking and can:
            _make_of_roll(context, roll_id, lacking, run, progress)
        else:
            run.left += len(lacking)
    progress.end()
    if run.left and not can:
        run.say(NO_LIBRARY)
    if run.away:
        run.say(AWAY.format(count=run.away))
    if run.unread:
        run.say(UNREAD.format(count=run.unread))
    return PostersOutcome(
        made=run.made,
        known=run.known,
        bare=tuple(run.bare),
        missing=run.away + run.unread + run.left + run.put_off,
        put_off=run.put_off,
        waiting=tuple(run.said),
        read_bytes=run.read_bytes,
        seconds=context.clock.monotonic() - begun,
    )


def _lacking(roll: Roll, chosen: Selection, run: _Run) -> list[RollFile]:
    """Clips of a roll that have no poster, each content once, in the order of their paths."""
    found: dict[Blake3, RollFile] = {}
    known: set[Blake3] = set()
    for file in roll.files:
        is_meant = chosen.covers(f"{roll.head.folder}/{file.path}")
        if not is_pictured(file.path) or not is_meant or file.content in known | found.keys():
            continue
        if run.shelf.get(file.content) is None:
            found[file.content] = file
        else:
            known.add(file.content)
    run.known += len(known)
    return list(found.values())


def _make_of_roll(
    context: Context, roll: RollId, lacking: Sequence[RollFile], run: _Run, progress: Progress
) -> None:
    now = roll_now(context, roll)
    folder = now.roll.head.folder
    progress.begin(f"Making posters of {folder}", total_bytes=0, total_files=len(lacking))
    ended = 0
    for number, file in enumerate(lacking):
        progress.file(f"{folder}/{file.path}")
        poster = _make_one(context, now, file, run)
        if poster is not None:
            run.shelf.put(poster)
            run.made += 1
            ended += poster.note == ENDED
            if poster.jpeg is None and poster.note != SOUND_ONLY:
                run.bare.append((f"{folder}/{file.path}", poster.note))
        progress.advance(0, files=1)
        if ended >= MOST_ENDED and number + 1 < len(lacking):
            run.left += len(lacking) - number - 1
            run.say(LEFT.format(folder=folder, count=ended))
            return


def _make_one(context: Context, now: RollNow, file: RollFile, run: _Run) -> Poster | None:
    """The poster of one clip, from the first proven copy that can be read; None: there is none now."""
    copies = best_first(now.copies.get(file.content, ()), now.places)
    here = [
        (run.drives[copy.place], copy)
        for copy in copies
        if copy.place in run.drives and copy.state is CopyState.PROVEN
    ]
    free = [(drive, copy) for drive, copy in here if not _is_used(context, drive, run)]
    for drive, copy in free:
        poster = _from_copy(context, drive, copy, file, run)
        if poster is not None:
            return poster
    if free:
        run.unread += 1
    elif here:
        run.put_off += 1
    else:
        run.away += 1
    return None


def _is_used(context: Context, drive: OnlineDrive, run: _Run) -> bool:
    holder = context.locks.holder(drive.place.id)
    if holder is None:
        return False
    run.say(IN_USE.format(drive=drive.place.name, doing=holder.doing or "at work"))
    return True


def _from_copy(
    context: Context, drive: OnlineDrive, copy: Copy, file: RollFile, run: _Run
) -> Poster | None:
    """The poster from one copy; None where it can't be read, or is another file by now."""
    path = drive.absolute(copy.path)
    try:
        drive.guard()
        stat = context.files.stat(path)
        if not drive.holds(copy.path) or stat.kind is not EntryKind.FILE or stat.size != file.size:
            return None
        poster, read = make_poster(partial(_opened, context, path), file.path, file.content)
    except (BackupkeeperError, OSError):
        return None
    run.read_bytes += read
    return poster


def _opened(context: Context, path: str) -> BinaryIO:
    return cast("BinaryIO", FileStream(context.files, path))
