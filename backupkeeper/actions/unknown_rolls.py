"""Rolls that lie at a place and that the catalog does not know: told, and taken in by reading them.

Promises:
1. A manifest shows which files there should be and what they hash to. That is told, and is no proof.
2. What is taken in was read: on a drive twice (``actions.adopt``), in a bucket once, fetched whole.
   It must be what the manifests say.
"""

from collections.abc import Iterator

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.actions.adopt_objects import ObjectRoll, adopt_objects, object_rolls
from backupkeeper.actions.changes import (
    KnownFolders,
    are_all_known,
    drive_of,
    look_at_changes,
    originals_in,
)
from backupkeeper.actions.context import Context
from backupkeeper.actions.found_history import (
    BY_MANIFESTS,
    folders_with_history,
    found_history,
    roll_of,
)
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.core.adopting import Named
from backupkeeper.core.deeds import Strange
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError
from backupkeeper.core.model import CardListing, Place, PlaceKind
from backupkeeper.core.naming import parse_roll_folder
from backupkeeper.core.rebuilding import UnknownRoll
from backupkeeper.core.typed import typed
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


def moved_rolls(
    context: Context, place: Place, progress: Progress, *, take_in: bool
) -> Iterator[UnknownRoll]:
    """Folders of a drive with manifests that are not laid out like a roll's: somebody moved a roll there.

    To be asked when all other rolls are known: its manifests may name the very files of one. The arguments
    and errors are those of ``unknown_rolls``.
    """
    if place.kind is PlaceKind.BUCKET:
        return
    drive = drive_of(context, place.id)
    known = KnownFolders(context)
    for folder in list(folders_with_history(context, drive)):
        if known.has(folder) or parse_roll_folder(context.config.layout.roll, folder) is not None:
            continue
        listing = originals_in(context, drive, folder)
        if not listing.files or are_all_known(context, drive, folder, listing):
            continue
        yield _moved(context, drive, folder, listing, progress, take_in=take_in)


def _moved(
    context: Context,
    drive: OnlineDrive,
    folder: str,
    listing: CardListing,
    progress: Progress,
    *,
    take_in: bool,
) -> UnknownRoll:
    said, why, taken_in = 0, "", False
    try:
        history = found_history(context, drive, folder)
        said = len(history.said)
        head = roll_of(context, history)
        if head is None:
            why = (
                "It is not laid out like your rolls, so what it is called can't be known; say it: backupkeeper "
                f"adopt {typed(drive.place.name)} {typed(folder)} --shoot NAME --source NAME --roll NAME"
            )
        elif take_in:
            named = Named(shoot=head.shoot, source=head.source, roll=head.name, why=BY_MANIFESTS)
            adopt_folder(context, drive.place.id, folder, progress, named=named)
            taken_in = True
        else:
            why = (
                f"By its manifests it is {head.folder}, moved there by hand. Take it in before anything is "
                f"mirrored, or it is copied once more: backupkeeper adopt {typed(drive.place.name)}"
            )
    except OutOfReachError:
        raise
    except BackupkeeperError as error:
        why = str(error)
    return UnknownRoll(
        place=drive.place.name,
        folder=folder,
        files=len(listing.files),
        size_bytes=sum(entry.size for entry in listing.files),
        known_by_manifest=said,
        taken_in=taken_in,
        why=why,
    )


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
