"""Taking places in, and saying which there are.

Promises:
1. Nothing is written to a drive but its marker, and only after everything else was checked.
2. A clone of a known drive (same marker, other file system) is refused: counted as the drive that
   it is a copy of, it would make one copy look like two.
3. A folder on a larger file system is taken only when the person says that it is meant.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from backupkeeper.actions.bucket_marker import bucket_marker, ensure_marker
from backupkeeper.actions.context import Context
from backupkeeper.actions.keys import readable_note
from backupkeeper.actions.online import (
    MARKER_PATH,
    OWN_FOLDER,
    Bare,
    OnlineDrive,
    bearers,
    online,
    online_drives,
    read_marker,
)
from backupkeeper.actions.place_check import refuse_public, remember, tried
from backupkeeper.actions.room import note_room
from backupkeeper.core.errors import MountChangedError, ReadOnlyError, UsageError
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Role, Standing
from backupkeeper.core.naming import validate_place_name
from backupkeeper.core.outcomes import PlaceReport
from backupkeeper.core.typed import typed
from backupkeeper.drives.marker import Marker, encode_marker
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.mounts import DeviceInfo
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.transfer.durable import make_folders, replace_own, write_small

QUIET: Final = Quiet()


def add_drive(context: Context, path: str, *, role: Role, name: str, folder: bool) -> Place:
    """Take in a drive (its mount point) or, with ``folder``, any folder.

    Args:
        context: the world.
        path: absolute, links resolved.
        role: ``primary`` or ``secondary``.
        name: what the person calls it; unique.
        folder: whether a folder that is no mount point is meant.

    Raises:
        UsageError: it can't be taken in as asked; the sentence says what would be right.
        ReadOnlyError: it is mounted read-only.
    """
    validate_place_name(name)
    if role is Role.CLOUD:
        raise UsageError(f"{path} is a folder, and the role cloud is for buckets (s3://…).")
    info = _medium(context, path, folder=folder)
    kind = PlaceKind.DRIVE if info.mount.point == path else PlaceKind.FOLDER
    marker = read_marker(context.files, path)
    if marker is not None:
        _check_marker(context, marker, path, info, role=role, name=name)
    check_name(context, name, PlaceId(marker.id) if marker else None)
    now = context.clock.now()
    place = Place(
        id=PlaceId(marker.id) if marker else PlaceId(context.entropy.new_id()),
        name=name,
        role=role,
        kind=kind,
        created_at=marker.created if marker else now,
        location=path,
        fs_uuid=info.fs_uuid,
        label=info.label,
        size_bytes=info.size_bytes,
        device=info.device,
        spins=info.spins,
    )
    if marker is None:
        _write_marker(context, place, path)
    context.catalog.put_place(place)
    return place


def check_new_drive(context: Context, path: str, *, name: str, folder: bool) -> None:
    """See whether a drive can be taken in under a name; nothing is written, nor recorded.

    Raises:
        UsageError, ReadOnlyError: as in ``add_drive``.
    """
    validate_place_name(name)
    _medium(context, path, folder=folder)
    marker = read_marker(context.files, path)
    check_name(context, name, PlaceId(marker.id) if marker else None)


def _medium(context: Context, path: str, *, folder: bool) -> DeviceInfo:
    try:
        stat = context.files.stat(path)
    except OSError as error:
        raise UsageError(f"There is nothing at {path}.", advice="Is the drive mounted?") from error
    if stat.kind is not EntryKind.FOLDER:
        raise UsageError(f"{path} is no folder.", advice="Give the drive's mount point.")
    mount = context.mounts.under(path)
    if mount.point != path and not folder:
        raise UsageError(
            f"{path} is a folder on the file system mounted at {mount.point}, not a drive of its own.",
            advice="Mount the drive first, or add --folder if this folder is meant.",
        )
    if mount.read_only:
        raise ReadOnlyError(path, 30, advice="Mount it so that it can be written to.")
    return context.mounts.inspect(mount)


def _check_marker(
    context: Context, marker: Marker, path: str, info: DeviceInfo, *, role: Role, name: str
) -> None:
    known = {place.id: place for place in context.catalog.places()}.get(PlaceId(marker.id))
    if known is not None:
        elsewhere = any(
            drive.root != path
            and (
                known.kind is PlaceKind.FOLDER
                or drive.info.mount.device_number != info.mount.device_number
            )
            for drive in bearers(context, known)[0]
        )
        if known.fs_uuid != info.fs_uuid or elsewhere:
            raise UsageError(
                f"{path} carries the marker of {known.name} but is another file system: a clone.",
                advice=f"To use it as a place of its own, delete {path}/{MARKER_PATH} and add it again. "
                f"If it is to take the place of {known.name}, keep only one of the two connected.",
            )
    if known is not None and known.standing is not Standing.ACTIVE:
        raise UsageError(
            f"{path} is {known.name}, which is {known.standing}.",
            advice=f"If it is to count again: backupkeeper place found {typed(known.name)}",
        )
    was = (known.name, known.role) if known is not None else (marker.name, marker.role)
    if was != (name, role):
        raise UsageError(
            f"{path} is already a place: {was[0]} ({was[1]}).",
            advice=f'Add it as --name "{was[0]}" --role {was[1]}.',
        )


def check_name(context: Context, name: str, own_id: PlaceId | None) -> None:
    """Raise a UsageError where another place than that with this id has the name."""
    for place in context.catalog.places():
        if place.name.casefold() == name.casefold() and place.id != own_id:
            raise UsageError(
                f"There is a place called {place.name} already ({place.location}).",
                advice="Choose another name.",
            )


def _write_marker(context: Context, place: Place, path: str) -> None:
    def guard() -> None:
        """Nothing to guard yet: the marker is what later guards look at."""

    make_folders(context.files, path, OWN_FOLDER, guard)
    write_small(context.files, f"{path}/{MARKER_PATH}", _marked(place), guard)


def mark_anew(context: Context, without: Bare) -> None:
    """Give a drive that is here without its marker one again; a spoiled one is replaced.

    Raises:
        MountChangedError: something else is mounted there now.
        NameTakenError: what stands in its place is no file.
        DeviceError: it can't be written; ``ReadOnlyError`` and ``NoSpaceError`` among them.
    """
    path, mount = without.root, without.info.mount

    def guard() -> None:
        if context.mounts.under(path).token != mount.token:
            raise MountChangedError(path)

    make_folders(context.files, path, OWN_FOLDER, guard)
    replace_own(context.files, f"{path}/{MARKER_PATH}", _marked(without.place), guard)


def _marked(place: Place) -> bytes:
    return encode_marker(
        Marker(id=place.id, name=place.name, role=place.role, created=place.created_at)
    )


def add_bucket(
    context: Context,
    location: str,
    *,
    role: Role,
    name: str,
    endpoint: str | None,
    profile: str | None,
    progress: Progress = QUIET,
) -> Place:
    """Take in a bucket; it is tried what it can do, so it must be there and let us in.

    It gets one small object, its marker, by which another machine knows which place it is.

    Raises:
        UsageError: wrong role or address, or the place is known already.
        BucketUnreachableError: it does not answer, or refuses.
        PublicBucketError: everybody gets at what is in it.
    """
    validate_place_name(name)
    if role is not Role.CLOUD:
        raise UsageError(f"{location} is a bucket, and its role is cloud.")
    for place in context.catalog.places():
        if (place.location, place.endpoint) == (location, endpoint):
            if (place.name, place.profile) == (name, profile):
                return place
            raise UsageError(f"{location} is already a place: {place.name}.")
    check_name(context, name, None)
    place = Place(
        id=PlaceId(context.entropy.new_id()),
        name=name,
        role=role,
        kind=PlaceKind.BUCKET,
        created_at=context.clock.now(),
        location=location,
        device=f"{endpoint or 'default endpoint'} {'/'.join(location.split('/')[:3])}",
        endpoint=endpoint,
        profile=profile,
    )
    bucket = context.open_bucket(place)
    found = tried(bucket, place, progress)
    refuse_public(context, place, found, again="repeat this command.")
    place = _as_marked(context, place, bucket_marker(bucket))
    ensure_marker(bucket, place)
    with context.catalog.transaction():
        context.catalog.put_place(place)
        remember(context, place, found)
    return place


def _as_marked(context: Context, place: Place, marker: Marker | None) -> Place:
    """The place that a bucket's marker says it is: another machine of ours took it in before."""
    if marker is None:
        return place
    known = {one.id: one for one in context.catalog.places()}.get(marker.id)
    if known is not None:
        raise UsageError(
            f"{place.location} carries the marker of {known.name} ({known.location}): it is the same "
            "place by another address, or a copy of it."
        )
    if (marker.name, marker.role) != (place.name, place.role):
        raise UsageError(
            f"{place.location} is already a place: {marker.name} ({marker.role}).",
            advice=f'Add it as --name "{marker.name}" --role {marker.role}.',
        )
    return replace(place, id=marker.id, created_at=marker.created)


def report_places(context: Context) -> tuple[PlaceReport, ...]:
    """Every place, whether it is here, what it holds by the facts, and what to know about it."""
    drives, _ = online_drives(context)
    here = {drive.place.id: drive for drive in drives}
    places = context.catalog.places()
    found = tuple(_report(context, here.get(place.id), replace(place), places) for place in places)
    free = {one.place.id: one.free_bytes for one in found if one.free_bytes is not None}
    note_room(context, free)
    return found


def _report(
    context: Context, drive: OnlineDrive | None, place: Place, places: Sequence[Place]
) -> PlaceReport:
    files, held = context.catalog.holdings(place.id)
    notes = []
    shared = [
        other.name for other in places if other.id != place.id and other.device == place.device
    ]
    if shared and place.device is not None and context.config.policy.distinct_devices:
        notes.append(f"On the same physical device as {', '.join(shared)}: they count as one.")
    free = None
    if drive is not None:
        notes += [drive.cold.why_never] if drive.cold.why_never else []
        try:
            free = context.files.free_bytes(drive.root)
        except OSError:
            notes.append("Its free space can't be read.")
    elif place.kind is not PlaceKind.BUCKET:
        found = online(context, place)
        notes.append(found if isinstance(found, str) else "It came back just now.")
    elif note := readable_note(context, place):
        notes.append(note)
    return PlaceReport(
        place=place,
        connected=drive is not None,
        files_held=files,
        bytes_held=held,
        free_bytes=free,
        note=" ".join(notes),
    )
