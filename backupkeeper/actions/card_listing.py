"""The files of a card, told from those of a place."""

from dataclasses import replace

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OWN_FOLDER, OnlineDrive, place_holding, read_marker
from backupkeeper.cards.protection import writing_warnings
from backupkeeper.cards.walk import list_card
from backupkeeper.core.errors import HostileInputError, UsageError
from backupkeeper.core.model import CardListing, PlaceKind
from backupkeeper.ports.files import EntryKind, Stat


def listed_card(context: Context, card: str, drives: list[OnlineDrive]) -> CardListing:
    """The card's listing.

    Raises:
        UsageError: there is no such folder, or it is (or holds, or lies in) a place.
    """
    try:
        stat = context.files.stat(card)
    except OSError as error:
        raise UsageError(
            f"There is no card at {card}.", advice="Is it in the reader, and mounted?"
        ) from error
    if stat.kind is not EntryKind.FOLDER:
        raise UsageError(f"{card} is a {stat.kind}, no card.", advice="Give the card's folder.")
    inside = place_holding(drives, card)
    holds = [drive for drive in drives if drive.root.startswith(card.rstrip("/") + "/")]
    same = [drive for drive in drives if _is_same_file_system(context, drive, stat)]
    if inside is not None or holds or same or _bears_a_marker(context, card):
        raise UsageError(
            f"{card} is (or belongs to) a place of yours, not a card.",
            advice=f"A place is told by its folder {OWN_FOLDER}.",
        )
    listing = list_card(context.files, card)
    mount = context.mounts.under(card)
    told = writing_warnings(mount)
    if mount.point != card:
        told = (
            *told,
            (
                f"{card} is a folder on what is mounted at {mount.point}: only what lies in this "
                "folder counts here, not the rest of that medium."
            ),
        )
    return replace(listing, warnings=(*listing.warnings, *told))


def _bears_a_marker(context: Context, card: str) -> bool:
    """Whether a card carries a place's marker; rubbish under that name makes no place of it."""
    try:
        return read_marker(context.files, card) is not None
    except HostileInputError:
        return False


def _is_same_file_system(context: Context, drive: OnlineDrive, card: Stat) -> bool:
    """Whether the card lies on a drive that is a place, by whatever way it is mounted."""
    if drive.place.kind is not PlaceKind.DRIVE:
        return False  # a folder shares its file system with what is none of its business
    try:
        return context.files.stat(drive.root).device == card.device
    except OSError:
        return False
