"""How much room on a drive the files that it is to get still need, and how much there was when last seen."""

from collections.abc import Iterable, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive, online_drives
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import Event, EventKind, PlaceId
from backupkeeper.ports.files import Files
from backupkeeper.transfer.durable import temp_name

SPARE_BYTES = 64 * 1024 * 1024
"""Room left on every drive: manifests, folders and the file system's own needs."""

REMEMBERED_FOR: Final = timedelta(days=1)
"""The same is not remembered again so soon."""
_SAME: Final = 0.01
"""Less of a change is none."""


def room_needed(
    files: Files, wanted: Iterable[tuple[str, int]], *, spare_bytes: int = SPARE_BYTES
) -> int:
    """Bytes that must be free for these files and some room to work.

    What an interruption left of a file has its room already: that temporary file is gone on with.

    Args:
        files: the system.
        wanted: final name, absolute, and size of each file.
        spare_bytes: the room to work.
    """
    return spare_bytes + sum(size - min(size, _left(files, path)) for path, size in wanted)


def _left(files: Files, path: str) -> int:
    try:
        return files.stat(temp_name(path)).size
    except OSError:
        return 0


def note_room(context: Context, free: Mapping[PlaceId, int]) -> None:
    """Remember how much is free on drives that were looked at, for when they are away.

    At most once a day for each, unless it has changed. A catalog that can't be written to now is no
    trouble: it is only remembered later.
    """
    with suppress(BackupkeeperError):
        known, now = remembered_room(context), context.clock.now()
        news = []
        for place, free_bytes in free.items():
            last = known.get(place)
            if last is not None and timedelta(0) <= now - last[0] < REMEMBERED_FOR:
                change = abs(free_bytes - last[1])
                if change <= _SAME * last[1]:
                    continue
            news.append(Event(at=now, kind=EventKind.ROOM, subject=place, detail=str(free_bytes)))
        if news:
            context.catalog.note(news)


def look_at_room(context: Context) -> None:
    """Remember it of all drives that are here."""
    with suppress(BackupkeeperError):
        note_room(context, free_on(context, online_drives(context)[0]))


def free_on(context: Context, drives: Iterable[OnlineDrive]) -> dict[PlaceId, int]:
    """Free bytes of drives that are here; one that does not say is left out."""
    found = {}
    for drive in drives:
        with suppress(OSError, BackupkeeperError):
            found[drive.place.id] = context.files.free_bytes(drive.root)
    return found


def remembered_room(context: Context) -> dict[PlaceId, tuple[datetime, int]]:
    """When each drive was last looked at, and how much was free then."""
    found = {}
    for subject, event in context.catalog.latest(EventKind.ROOM).items():
        if event.detail.isascii() and event.detail.isdigit():
            found[PlaceId(subject)] = event.at, int(event.detail)
    return found
