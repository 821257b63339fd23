"""Rolls that lie at a place and that the catalog does not know: told, and taken in by reading them.

Promises:
1. A manifest shows which files there should be and what they hash to. That is told, and is no proof.
2. What is taken in was read: on a drive twice (``actions.adopt``), in a bucket once, fetched whole.
   It must be what the manifests say.
"""

from collections.abc import Iterator

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.actions.adopt_objects import ObjectRoll, adopt_objects, object_rolls
from backupkeeper.actions.changes import drive_of, look_at_changes
from backupkeeper.actions.context import Context
from backupkeeper.actions.found_history import found_history
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.core.deeds import Strange
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError
from backupkeeper.core.model import Place, PlaceKind
from backupkeeper.core.rebuilding import UnknownRoll
from backupkeeper.ports.progress import Progress


def unknown_rolls(
    context: Context, place: Place, progress: Progress, *, take_in: bool
) -> Iterator[UnknownRoll]:
    """Each of them at one place, the drive or bucket being looked through.

    Args:
        context: the world.
        place: a drive that is here, or a bucket.
        progress: told as it goes.
        take_in: whether they are read and become rolls of the catalog.

    Raises:
        OutOfReachError: the place is not here, or goes; what was taken in until then is recorded.
        BackupkeeperError: it can't be looked through.
    """
    if place.kind is PlaceKind.BUCKET:
        bucket = context.open_bucket(place)
        for roll in list(object_rolls(context, bucket)):
            yield _of_bucket(context, place, roll, progress, take_in=take_in)
        return
    drive = drive_of(context, place.id)
    for one in look_at_changes(context, place.id, ("",), progress).strange:
        yield _on_drive(context, drive, one, progress, take_in=take_in)


def _on_drive(
    context: Context, drive: OnlineDrive, one: Strange, progress: Progress, *, take_in: bool
) -> UnknownRoll:
    known, why, taken_in = 0, "", False
    try:
        known = len(found_history(context, drive, one.folder).said)
        if take_in:
            adopt_folder(context, drive.place.id, one.folder, progress)
            taken_in = True
    except OutOfReachError:
        raise
    except BackupkeeperError as error:
        why = str(error)
    return UnknownRoll(
        place=drive.place.name,
        folder=one.folder,
        files=one.files,
        size_bytes=one.size_bytes,
        known_by_manifest=known,
        taken_in=taken_in,
        why=why,
    )


def _of_bucket(
    context: Context, place: Place, roll: ObjectRoll, progress: Progress, *, take_in: bool
) -> UnknownRoll:
    why, taken_in = roll.why, False
    if take_in and not why:
        try:
            adopt_objects(context, place, roll, progress)
            taken_in = True
        except OutOfReachError:
            raise
        except BackupkeeperError as error:
            why = str(error)
    return UnknownRoll(
        place=place.name,
        folder=roll.folder,
        files=len(roll.files),
        size_bytes=sum(entry.size for entry in roll.entries.values()),
        known_by_manifest=len(roll.files),
        taken_in=taken_in,
        why=why,
    )
