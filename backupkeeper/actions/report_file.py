"""Writing the report's page to a file that a person names.

Promises:
1. Nothing is replaced but an earlier report of ours: it is known by how it begins.
2. It is written beside the name first, and gets the name in one step, so a reader never sees half of one.
3. It never goes onto a card, nor into a roll's folder, nor where this program keeps its own.
"""

import errno
import os.path
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OWN_FOLDER
from backupkeeper.actions.restore_target import guard_of, must_be_no_card
from backupkeeper.core.errors import BackupkeeperError, ReadError, ReadOnlyError, UsageError
from backupkeeper.ports.files import EntryKind, Files
from backupkeeper.transfer.durable import discard, replace_own, temp_name, write_small

_HISTORY: Final = "ascmhl"
"""In each roll's folder lies one."""
_ELSEWHERE: Final = "Name a file in another folder."


def write_report(context: Context, path: str, data: bytes, beginning: bytes) -> None:
    """Write a report, in the place of an earlier one or where nothing is.

    Args:
        context: the world.
        path: absolute, links resolved.
        data: all of it.
        beginning: what every report of ours begins with.

    Raises:
        UsageError: it may not be written there; the sentence says why.
        BackupkeeperError: it could not be written.
    """
    folder = os.path.dirname(path)
    _must_be_a_folder(context.files, folder)
    mount = context.mounts.under(folder)
    _must_be_nobodys(context, folder, mount.point)
    must_be_no_card(context, path, context.mounts.inspect(mount))
    if mount.read_only:
        raise ReadOnlyError(path, errno.EROFS, advice=_ELSEWHERE)
    write = replace_own if _is_earlier(context.files, path, beginning) else write_small
    try:
        write(context.files, path, data, guard_of(context.files, folder))
    except BackupkeeperError:  # a full disk is not made fuller; the next report is made anew anyway
        discard(context.files, temp_name(path))
        raise


def _must_be_a_folder(files: Files, folder: str) -> None:
    try:
        kind = files.stat(folder).kind
    except OSError as error:
        raise UsageError(
            f"{folder} can't be looked at ({error.strerror}), so no report can be written into it.",
            advice="Make the folder first, or name another one.",
        ) from error
    if kind is not EntryKind.FOLDER:
        raise UsageError(f"{folder} is no folder.", advice=_ELSEWHERE)


def _must_be_nobodys(context: Context, folder: str, point: str) -> None:
    """That the folder is none of ours and belongs to no roll."""
    if OWN_FOLDER in folder.split("/"):
        raise UsageError(f"{folder} is where this program keeps its own.", advice=_ELSEWHERE)
    catalog = context.catalog
    folders = [one.folder for one in catalog.rolls()]
    folders += [one.folder for one in catalog.open_rolls()]
    inside = any(f"/{one}/" in f"{folder}/" for one in folders)
    at = folder
    while not inside:
        inside = _is_there(context.files, f"{at}/{_HISTORY}")
        if at in {point, "/"}:
            break
        at = os.path.dirname(at)
    if inside:
        raise UsageError(
            f"{folder} belongs to a roll, and rolls are never altered.", advice=_ELSEWHERE
        )


def _is_there(files: Files, path: str) -> bool:
    try:
        files.stat(path)
    except OSError:
        return False
    return True


def _is_earlier(files: Files, path: str, beginning: bytes) -> bool:
    """Whether an earlier report stands there; False: nothing does."""
    try:
        kind = files.stat(path).kind
    except FileNotFoundError:
        return False
    except OSError as error:
        raise ReadError(path, error.errno or 0) from error
    if kind is not EntryKind.FILE or _first(files, path, len(beginning)) != beginning:
        raise UsageError(
            f"{path} is not an earlier report of this program; it was left as it is.",
            advice="Name another file, or move it away.",
        )
    return True


def _first(files: Files, path: str, length: int) -> bytes:
    buffer = memoryview(bytearray(length))
    try:
        handle = files.open_read(path)
        try:
            got = files.read_into(handle, buffer, 0)
        finally:
            files.close(handle)
    except OSError as error:
        raise ReadError(path, error.errno or 0) from error
    return bytes(buffer[:got])
