"""``place rename``: another name for a place. Everything else goes by its id.

Promises:
1. The name is another one than every other place's, lost and retired ones too.
2. The marker on the place gets the new name: at once where the place is here and free, else at the
   end of the next work there. Only a catalog in which it was renamed does that, so that a machine
   that knows the old name does not write it back.
"""

from contextlib import suppress
from dataclasses import replace

from backupkeeper.actions.bucket_marker import bucket_marker, rename_marker
from backupkeeper.actions.context import Context
from backupkeeper.actions.online import MARKER_PATH, OnlineDrive, holding, online, read_marker
from backupkeeper.actions.places import check_name
from backupkeeper.core.errors import BackupkeeperError, UsageError
from backupkeeper.core.model import Event, EventKind, Place, PlaceId, PlaceKind, Standing
from backupkeeper.core.named import place_named
from backupkeeper.core.naming import validate_place_name
from backupkeeper.core.outcomes import PlaceRenamed
from backupkeeper.drives.marker import Marker, encode_marker
from backupkeeper.transfer.durable import replace_own


def look_at_renaming(context: Context, name: str, new: str) -> Place:
    """The place that is meant, where it can be renamed so.

    Raises:
        UsageError: no place has that name; or the new one is none, is taken, or is the old one.
    """
    place = place_named(context.catalog.places(), name)
    validate_place_name(new)
    if new == place.name:
        raise UsageError(f"{place.name} is called that already.")
    check_name(context, new, place.id)
    return place


def rename(context: Context, name: str, new: str) -> PlaceRenamed:
    """Give a place another name.

    Raises:
        UsageError: see ``look_at_renaming``.
    """
    place = look_at_renaming(context, name, new)
    now = context.clock.now()
    with context.catalog.transaction():
        context.catalog.put_place(replace(place, name=new))
        context.catalog.note(
            [Event(at=now, kind=EventKind.RENAMED, subject=place.id, detail=place.name)]
        )
    why = refresh_marker(context, replace(place, name=new))
    return PlaceRenamed(place=replace(place, name=new), was=place.name, marker_waits=why)


def refresh_markers(
    context: Context, only: frozenset[PlaceId] | None = None, *, buckets: bool
) -> None:
    """Give every marker that still tells an old name the new one, where its place is here and free.

    Args:
        context: the world.
        only: the places that are meant; None: all.
        buckets: whether buckets are asked too.
    """
    old = {
        subject
        for subject, event in context.catalog.latest(EventKind.RENAMED).items()
        if event.detail
    }
    for place in context.catalog.places() if old else ():
        is_meant = only is None or place.id in only
        if place.id in old and is_meant and (buckets or place.kind is not PlaceKind.BUCKET):
            refresh_marker(context, place)


def refresh_marker(context: Context, place: Place) -> str:
    """Write the name into the place's marker; why that has to wait, or an empty text."""
    if place.standing is not Standing.ACTIVE:
        return f"{place.name} is {place.standing}."
    try:
        if place.kind is PlaceKind.BUCKET:
            bucket = context.open_bucket(place, hurried=True)
            there = bucket_marker(bucket)
            if there is not None and there.id == place.id:
                rename_marker(bucket, place)
        else:
            drive = online(context, place)
            if not isinstance(drive, OnlineDrive):
                return drive
            with holding(context, [drive], doing="writing its name"):
                _rewrite(context, drive)
    except BackupkeeperError as error:
        return str(error)
    with suppress(BackupkeeperError):
        done = Event(at=context.clock.now(), kind=EventKind.RENAMED, subject=place.id)
        context.catalog.note([done])
    return ""


def _rewrite(context: Context, drive: OnlineDrive) -> None:
    """In one step, so that there is no moment without a marker."""
    there = read_marker(context.files, drive.root)
    if there is None or there.name == drive.place.name:
        return
    marker = Marker(id=there.id, name=drive.place.name, role=there.role, created=there.created)
    path = drive.absolute(MARKER_PATH)
    replace_own(context.files, path, encode_marker(marker), drive.guard)
