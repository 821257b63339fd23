"""Removing what a drill brought, and nothing else.

Promises:
1. A file is removed only if it stands where the drill put it and every byte of it, read again now, is
   that of the original; a manifest only as part of a history that tells these files.
2. A folder is removed only if nothing is in it. Whatever else is found stays, and is told.
"""

import os.path
from collections.abc import Callable, Iterable, Mapping

from backupkeeper.actions.context import Context
from backupkeeper.actions.reading import read_small
from backupkeeper.actions.restore_target import Target, find_target
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.fitting import fit_names
from backupkeeper.core.model import Content, RollHead
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import CHAIN_NAME, FOLDER
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.durable import discard, temp_name
from backupkeeper.transfer.regaining import read_whole

RemoveFolder = Callable[[str], None]
"""Removes one empty folder; ``OSError`` where it is not empty, or can't be removed."""


def remove_restored(
    context: Context,
    folder: str,
    rolls: Iterable[RollHead],
    progress: Progress,
    remove_folder: RemoveFolder,
) -> tuple[str, ...]:
    """Remove what was restored of these rolls; paths of what was left there.

    Args:
        context: the world.
        folder: the scratch folder.
        rolls: that were restored to it.
        progress: told as it goes.
        remove_folder: see there.
    """
    target = find_target(context, folder)
    heads = list(rolls)
    folders = fit_names([head.folder for head in heads], target.limits, reserved=())
    for head in heads:
        roll = context.catalog.roll(head.id)
        names = fit_names([*(f.path for f in roll.files), *roll.folders], target.limits)
        contents = context.catalog.contents(file.content for file in roll.files)
        here = folders[head.folder]
        progress.begin(
            f"Removing {here} from the scratch folder",
            total_bytes=head.size_bytes,
            total_files=len(roll.files),
        )
        _remove_manifests(
            context,
            target,
            here,
            {names[file.path]: contents[file.content].xxh128 for file in roll.files},
        )
        for file in roll.files:
            path = target.absolute(f"{here}/{names[file.path]}")
            _remove_file(context, target, path, contents[file.content], progress)
    left = tuple(_remove_folders(context, folder, "", remove_folder))
    return tuple(sorted(left))


def _remove_file(
    context: Context, target: Target, path: str, content: Content, progress: Progress
) -> None:
    discard(context.files, temp_name(path))  # what an interruption left of it
    if not target.stays_on(os.path.dirname(path).removeprefix(target.anchor.rstrip("/"))[1:]):
        return
    try:
        target.guard()
        if read_whole(context.files, path, content, target.cold, progress.advance) is not None:
            context.files.unlink(path)
    except (BackupkeeperError, OSError):
        return  # not there, or not to be read: what is left is told
    progress.advance(0, files=1)


def _remove_manifests(
    context: Context, target: Target, folder: str, wanted: Mapping[str, str]
) -> None:
    where = target.absolute(f"{folder}/{FOLDER}")
    try:
        names = [name for name, kind in context.files.list(where) if kind is EntryKind.FILE]
        history = read_history(
            names, lambda name: read_small(context.files, f"{where}/{name}", MANIFEST_LIMIT_BYTES)
        )
        if history is None or history.faults:
            return
        said = history.reference
        if any(said.get(path, {}).get("xxh128") != text for path, text in wanted.items()):
            return
        for name in (CHAIN_NAME, *(entry.name for entry in history.chain)):
            context.files.unlink(f"{where}/{name}")
    except (BackupkeeperError, OSError):
        return  # what is left is told


def _remove_folders(
    context: Context, root: str, inner: str, remove_folder: RemoveFolder
) -> list[str]:
    """Remove empty folders from the bottom up; what is left, relative to the scratch folder."""
    here = f"{root}/{inner}" if inner else root
    left: list[str] = []
    try:
        for name, kind in sorted(context.files.list(here)):
            path = f"{inner}/{name}" if inner else name
            if kind is EntryKind.FOLDER:
                left += _remove_folders(context, root, path, remove_folder)
            else:
                left.append(path)
        if not left:
            remove_folder(here)
    except OSError:
        left.append(inner or ".")
    return left
