"""What a look at one mount saw: a place, a card, something else, or nothing in time.

The look is done by a worker, for a device that does not answer can hold up whoever asks it. Nothing
is written, and nothing is read but a marker, entries of folders and what the system knows.
"""

import json
from dataclasses import asdict, dataclass, replace
from datetime import tzinfo
from enum import StrEnum

from backupkeeper.actions.card_look import look_at_card
from backupkeeper.actions.context import Context
from backupkeeper.actions.online import (
    Bare,
    OnlineDrive,
    back_sentence,
    bare_at,
    identify,
    read_marker,
)
from backupkeeper.core.errors import BackupkeeperError, HostileInputError, ListingError
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Standing
from backupkeeper.ports.mounts import Mount


class SightKind(StrEnum):
    """What it is."""

    PLACE = "place"
    CARD = "card"
    OTHER = "other"
    BARE = "bare"
    """A place's drive or folder, without its marker."""
    SILENT = "silent"
    """It did not answer in time, or with an error."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sight:
    """What was seen at ``point`` during the mount named ``token``.

    ``card`` is the JSON of ``actions.card_look.CardLook``; ``disk`` the device number of the file
    system (two mounts of one are one); ``said`` a sentence for a person.
    """

    kind: SightKind
    token: str
    point: str
    said: str = ""
    place: PlaceId | None = None
    device: str = ""
    block_device: str | None = None
    disk: str = ""
    label: str = ""
    free_bytes: int = 0
    read_only: bool = False
    card: str = ""


def encode_sight(sight: Sight) -> str:
    """As JSON."""
    return json.dumps(asdict(sight), ensure_ascii=True)


def decode_sight(text: str) -> Sight:
    """From JSON.

    Raises:
        ListingError: it is no sight.
    """
    try:
        told = json.loads(text)
        return Sight(
            **{**told, "kind": SightKind(told["kind"])},
        )
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise ListingError("A worker told of a drive in words that nobody understands.") from error


def look_at(context: Context, point: str, tz: tzinfo) -> Sight:
    """Look at what is mounted at a point, or at the folder of a place that is one.

    Args:
        context: the world; its mounts are asked.
        point: absolute.
        tz: where the person is, for the dates of recordings.
    """
    try:
        mount = context.mounts.under(point)
    except BackupkeeperError as error:
        return Sight(kind=SightKind.SILENT, token="", point=point, said=str(error))
    try:
        return _look(context, point, mount, tz)
    except HostileInputError as error:
        return _plain(SightKind.OTHER, point, mount, str(error))
    except BackupkeeperError as error:
        return _plain(SightKind.SILENT, point, mount, str(error))
    except OSError as error:
        return _plain(SightKind.SILENT, point, mount, f"{point} can't be read ({error.strerror}).")


def _look(context: Context, point: str, mount: Mount, tz: tzinfo) -> Sight:
    root = point.rstrip("/") or "/"
    if not _is_our_business(context, root, mount):
        return _plain(SightKind.OTHER, point, mount, "")
    if without := _bare(context, root, mount):
        return replace(_plain(SightKind.BARE, root, mount, str(without)), place=without.place.id)
    marker = read_marker(context.files, root)
    if marker is not None:
        place = next((one for one in context.catalog.places() if one.id == marker.id), None)
        if place is None:
            told = f"{point} carries the marker of a place that this catalog does not know."
            return _plain(SightKind.OTHER, point, mount, told)
        return _place(context, place, root, mount)
    if mount.point != point or mount.root != "/" or not is_medium(mount, context):
        return _plain(SightKind.OTHER, point, mount, "")
    return _card(context, point, mount, tz)


def _bare(context: Context, root: str, mount: Mount) -> Bare | None:
    """Whichever place it is, lost ones too: a drive of ours is never taken for a card."""
    drives = [one for one in context.catalog.places() if one.kind is not PlaceKind.BUCKET]
    mine = (one for one in drives if one.kind is PlaceKind.DRIVE or one.location == root)
    return next(filter(None, (bare_at(context, one, root, mount) for one in mine)), None)


def _is_our_business(context: Context, root: str, mount: Mount) -> bool:
    """Whether a look may touch it at all.

    What lies where media are mounted, and where a place was; elsewhere only a file system that is
    known to be a place's by its UUID, which the system knows without touching its files.
    """
    places = context.catalog.places()
    if is_medium(mount, context) or any(place.location == root for place in places):
        return True
    uuid = context.mounts.inspect(mount).fs_uuid
    return uuid is not None and any(place.fs_uuid == uuid for place in places)


def is_medium(mount: Mount, context: Context) -> bool:
    """Whether a mount lies where systems mount media, and on a device of its own."""
    media = context.config.watch.media
    return mount.source.startswith("/dev/") and any(
        mount.point.startswith(f"{folder.rstrip('/')}/") for folder in media
    )


def _place(context: Context, place: Place, root: str, mount: Mount) -> Sight:
    found = identify(context, place, root, mount)
    if not isinstance(found, OnlineDrive):
        return _plain(SightKind.OTHER, root, mount, found or f"{root} is not {place.name}.")
    if place.standing is not Standing.ACTIVE:
        told = back_sentence(place, root)
        return replace(_plain(SightKind.OTHER, root, mount, told), place=place.id)
    if found.place != place:
        context.catalog.put_place(found.place)
    number = mount.device_number if place.kind is PlaceKind.DRIVE else (mount.mount_id, 0)
    return Sight(
        kind=SightKind.PLACE,
        token=mount.token,
        point=root,
        place=place.id,
        device=found.info.device,
        block_device=found.info.block_device,
        disk=f"{number[0]}:{number[1]}",
        label=place.name,
        free_bytes=context.files.free_bytes(root),
        read_only=mount.read_only,
    )


def _card(context: Context, point: str, mount: Mount, tz: tzinfo) -> Sight:
    info = context.mounts.inspect(mount)
    look = look_at_card(context, point, context.config.sources, tz)
    return Sight(
        kind=SightKind.CARD,
        token=mount.token,
        point=point,
        device=info.device,
        block_device=info.block_device,
        disk=f"{mount.device_number[0]}:{mount.device_number[1]}",
        label=info.label or point.rpartition("/")[2],
        read_only=mount.read_only,
        card=look.to_json(),
    )


def _plain(kind: SightKind, point: str, mount: Mount, said: str) -> Sight:
    return Sight(kind=kind, token=mount.token, point=point, said=said, read_only=mount.read_only)
