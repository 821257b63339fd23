"""Where a receipt is written: looked at before the card is read, written durably at the end.

Promises:
1. Nothing is ever written on the card, nor into a roll, nor over anything.
2. What can be known to be in the way is told before the card is read.
3. Both files come whole under their names, or not at all; the JSON first.
"""

import errno
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import (
    OWN_FOLDER,
    OnlineDrive,
    online_drives,
    place_holding,
    relative_to,
)
from backupkeeper.core.errors import BackupkeeperError, MountChangedError, UsageError
from backupkeeper.ports.files import EntryKind
from backupkeeper.transfer.durable import discard, temp_name, told_as_ours, write_small

_PAGES = (".html", ".htm")
_DATA = ".json"


@dataclass(frozen=True, kw_only=True, slots=True)
class ReceiptTarget:
    """``page`` is None where only JSON is asked for. ``guard`` raises where the folder changed."""

    page: str | None
    data: str
    guard: Callable[[], None]


def receipt_target(context: Context, card: str, file: str) -> ReceiptTarget:
    """Where to write, after everything that speaks against it was looked at.

    Args:
        context: the world.
        card: the card's folder, absolute, links resolved.
        file: absolute, links in its folder resolved: a page (``.html``, with JSON beside it), or
            JSON only (``.json``).

    Raises:
        UsageError: it can't, or must not, be written there; the sentence says why.
    """
    folder, _, name = file.rpartition("/")
    folder = folder or "/"
    page, data = _names(file, name)
    _check_folder(context, folder)
    drives, _ = online_drives(context)
    _check_card(context, card, folder, drives)
    _check_rolls(context, folder, drives)
    for path in (page, data):
        if path is not None:
            _check_free(context, path)
    _try_writing(context, data)
    first = context.files.stat(folder)

    def guard() -> None:
        try:
            now = context.files.stat(folder)
        except OSError as error:
            raise MountChangedError(folder) from error
        if (now.device, now.inode) != (first.device, first.inode):
            raise MountChangedError(folder)
        _check_card(context, card, folder, drives)

    return ReceiptTarget(page=page, data=data, guard=guard)


def write_receipt(
    context: Context, target: ReceiptTarget, data: bytes, page: bytes | None
) -> tuple[bool, str]:
    """Write both; whether the JSON stands there, and what went wrong (nothing: an empty text)."""
    written = False
    try:
        write_small(context.files, target.data, data, target.guard)
        written = True
        if target.page is not None and page is not None:
            write_small(context.files, target.page, page, target.guard)
    except BackupkeeperError as error:
        _clear_away(context, target)
        return written, str(error)
    return written, ""


def _clear_away(context: Context, target: ReceiptTarget) -> None:
    """Leave no half of a receipt in a person's folder, as long as it is still the same folder."""
    with suppress(BackupkeeperError):
        target.guard()
        for path in (target.data, target.page):
            if path is not None:
                discard(context.files, temp_name(path))


def _names(file: str, name: str) -> tuple[str | None, str]:
    stem, dot, end = name.rpartition(".")
    suffix = f"{dot}{end}".lower()
    if stem and suffix == _DATA:
        return None, file
    if stem and suffix in _PAGES:
        return file, f"{file[: -len(suffix)]}{_DATA}"
    raise UsageError(
        f"{file} can't be a receipt's name.",
        advice="Let it end in .html (a page, and JSON beside it) or in .json (JSON only).",
    )


def _check_folder(context: Context, folder: str) -> None:
    try:
        kind = context.files.stat(folder).kind
    except OSError as error:
        raise UsageError(
            f"There is no folder {folder} to write the receipt into.", advice="Make it first."
        ) from error
    if kind is not EntryKind.FOLDER:
        raise UsageError(f"{folder} is a {kind}: no receipt can be written into it.")


def _check_card(context: Context, card: str, folder: str, drives: Iterable[OnlineDrive]) -> None:
    """Whether the folder lies on the card, by its path or by its file system."""
    below = folder == card or folder.startswith(card.rstrip("/") + "/")
    if below or _is_on_its_medium(context, card, folder, drives):
        raise UsageError(
            f"{folder} lies on the card: nothing is ever written there.",
            advice="Name a file on this computer or on a drive.",
        )


def _is_on_its_medium(
    context: Context, card: str, folder: str, drives: Iterable[OnlineDrive]
) -> bool:
    """Whether it is on the very file system that is the card.

    A card that is a folder makes a card of the whole medium that it lies on, where that is mounted like
    one (below ``[watch] media``) and no place is on it.
    """
    try:
        device = context.files.stat(card).device
        if context.files.stat(folder).device != device:
            return False
        point = context.mounts.under(card).point
    except (BackupkeeperError, OSError):
        return False  # no card is there: that is told by whoever reads it
    media = context.config.watch.media
    like_a_card = any(point.startswith(f"{one.rstrip('/')}/") for one in media)
    has_a_place = any(drive.info.mount.point == point for drive in drives)
    return point == card or (like_a_card and not has_a_place)


def _check_rolls(context: Context, folder: str, drives: list[OnlineDrive]) -> None:
    """Whether the folder lies in a roll, or among our own files, on a drive that is here."""
    drive = place_holding(drives, folder)
    if drive is None:
        return
    path = f"{relative_to(drive, folder)}/"
    rolls = {roll.folder for roll in context.catalog.rolls()}
    rolls |= {roll.folder for roll in context.catalog.open_rolls()}
    inside = any(path.startswith(f"{roll}/") for roll in rolls)
    if inside or path.startswith(f"{OWN_FOLDER}/"):
        raise UsageError(
            f"{folder} is not yours to write into: rolls are never altered.",
            advice="Put the receipt into the shoot's folder, beside Originals.",
        )


def _check_free(context: Context, path: str) -> None:
    try:
        context.files.stat(path)
    except OSError as error:
        if error.errno == errno.ENOENT:
            return
        raise UsageError(f"{path} can't be written ({error.strerror}).") from error
    raise UsageError(
        f"{path} is there already, and nothing is written over.", advice="Name another file."
    )


def _try_writing(context: Context, path: str) -> None:
    """Whether a file can be made in this folder at all: better known before the card is read."""
    temp = temp_name(path)
    try:
        with told_as_ours(path):
            try:
                handle = context.files.create(temp)
            except FileExistsError:  # left by an interruption; it is gone on with
                return
            context.files.close(handle)
            context.files.unlink(temp)
    except BackupkeeperError as error:
        raise UsageError(f"The receipt could not be written. {error}") from error
