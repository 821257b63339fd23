"""Damaged files that were set aside on a drive: what is kept, and deleting it when a person says so.

Promises:
1. Nothing is deleted but files in the set-aside folder, on a person's word, and only where the copy
   that took the place is proven now. Its note stays. What somebody edited is theirs: never deleted.
2. Notes are read as anything from outside is: what can't be believed is listed without its story.
"""

import json
from collections.abc import Iterator
from typing import Any

from backupkeeper.actions.context import Context
from backupkeeper.actions.one_roll import drive_here
from backupkeeper.actions.online import OnlineDrive, holding, online_drives
from backupkeeper.actions.reading import read_small
from backupkeeper.actions.treating import SET_ASIDE
from backupkeeper.core.errors import BackupkeeperError, UsageError
from backupkeeper.core.mending import KeptAside
from backupkeeper.core.model import Blake3, CopyState, PlaceKind, Result
from backupkeeper.core.policy import copies_of
from backupkeeper.ports.files import EntryKind
from backupkeeper.transfer.durable import told_as_ours

NOTE: str = "note.json"
NOTE_BYTES = 1 << 20
_ID_DIGITS = 64


def kept_aside(context: Context, name: str | None) -> tuple[KeptAside, ...]:
    """What is kept on a drive (or on all that are here), oldest first.

    Args:
        context: the world.
        name: of the place; None: all.

    Raises:
        UsageError: no drive is called so.
        DriveGoneError: it is not here.
    """
    drives = online_drives(context)[0] if name is None else [_drive(context, name)]
    return tuple(one for drive in drives for one in _kept(context, drive))


def delete_aside(context: Context, name: str) -> tuple[KeptAside, ...]:
    """Delete what is kept on a drive, where what took its place is proven now; what was deleted.

    Arguments and errors as in ``kept_aside``, but one drive must be named.

    Raises:
        PlaceHeldError: another program of ours is at work on the drive.
        WriteError: a file can't be deleted.
    """
    drive = _drive(context, name)
    gone = []
    with holding(context, [drive], doing="deleting what was set aside"):
        for one in tuple(_kept(context, drive)):
            if not one.is_replaced or one.is_edit:
                continue
            drive.guard()
            with told_as_ours(drive.absolute(one.path)):
                context.files.unlink(drive.absolute(one.path))
            gone.append(one)
    return tuple(gone)


def _drive(context: Context, name: str) -> OnlineDrive:
    for place in context.catalog.places():
        if place.name.casefold() == name.casefold() and place.kind is not PlaceKind.BUCKET:
            return drive_here(context, place.id)
    raise UsageError(f"No drive is called {name}.", advice="'backupkeeper place list' names them.")


def _kept(context: Context, drive: OnlineDrive) -> Iterator[KeptAside]:
    if not drive.stays_on(SET_ASIDE):
        return
    for folder, kind in sorted(_entries(context, drive, SET_ASIDE)):
        inside = f"{SET_ASIDE}/{folder}"
        if kind is not EntryKind.FOLDER or not drive.stays_on(inside):
            continue
        note = _note(context, drive, f"{inside}/{NOTE}")
        for name, what in sorted(_entries(context, drive, inside)):
            if what is EntryKind.FILE and name != NOTE:
                path = f"{inside}/{name}"
                yield KeptAside(
                    place=drive.place.name,
                    path=path,
                    size=context.files.stat(drive.absolute(path)).size,
                    replaced=str(note.get("path", "")),
                    at=str(note.get("replaced_at", "")),
                    is_replaced=_is_replaced(context, drive, note),
                    is_edit=note.get("found") == Result.CHANGED.value,
                )


def _entries(context: Context, drive: OnlineDrive, folder: str) -> list[tuple[str, EntryKind]]:
    try:
        return list(context.files.list(drive.absolute(folder)))
    except OSError:
        return []  # nothing was set aside, or it can't be looked into: nothing is deleted then


def _note(context: Context, drive: OnlineDrive, path: str) -> dict[str, Any]:
    try:
        told = json.loads(read_small(context.files, drive.absolute(path), NOTE_BYTES))
    except (BackupkeeperError, ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) else {}


def _is_replaced(context: Context, drive: OnlineDrive, note: dict[str, Any]) -> bool:
    """Whether the copy that took the place is proven now, and still there."""
    path, content = note.get("path"), note.get("blake3_it_should_have")
    if not isinstance(path, str) or not isinstance(content, str) or len(content) != _ID_DIGITS:
        return False
    try:
        there = context.files.stat(drive.absolute(path))
    except (OSError, ValueError):  # gone, or a name that no file can have
        return False
    if there.kind is not EntryKind.FILE or there.size != note.get("size_it_should_have"):
        return False
    facts = context.catalog.facts_at(drive.place.id, below=path)
    copies = copies_of(
        [fact for fact in facts if fact.path == path],
        {drive.place.id: drive.place},
        context.config.policy,
        context.clock.now(),
    )
    return any(copy.state is CopyState.PROVEN for copy in copies.get(Blake3(content), ()))
