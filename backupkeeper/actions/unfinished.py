"""A history whose last manifest was written when the work was killed, before the chain named it.

Promises:
1. A manifest is named in the chain only if it is the one that must come next, is of our own making,
   and says of every file what the catalog's facts say; anything else stays as it is, and is told.
2. No manifest is altered, renumbered or removed; only temporary files of our own making are.
"""

from collections.abc import Mapping
from contextlib import suppress

from backupkeeper.actions.context import Context
from backupkeeper.actions.reading import read_small
from backupkeeper.core.errors import DeviceError, HostileInputError
from backupkeeper.manifests.formats import Format
from backupkeeper.manifests.mhl_chain import CHAIN_LIMIT_BYTES, extend_chain
from backupkeeper.manifests.mhl_model import (
    CHAIN_NAME,
    TOOL,
    Action,
    FaultKind,
    History,
    ReadFile,
)
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES, read_manifest
from backupkeeper.ports.files import EntryKind
from backupkeeper.transfer.durable import Guard, discard, is_temp_name, replace_own

_OF_AN_INTERRUPTION = frozenset({FaultKind.MANIFEST_UNLISTED, FaultKind.CHAIN_MISSING})


def name_last_manifest(
    context: Context,
    guard: Guard,
    where: str,
    history: History,
    known: Mapping[str, str],
) -> bool:
    """Let the chain name the manifest that an interruption left; whether it does now.

    Args:
        context: the world.
        guard: raises if what is written to is not what it was any more.
        where: the absolute path of its folder.
        history: as it was read.
        known: XXH3-128 of every original of the roll that facts show here, by path.

    Raises:
        BackupkeeperError: the chain can't be written.
    """
    number = len(history.chain) + 1
    if len(history.unlisted) != 1 or {f.kind for f in history.faults} - _OF_AN_INTERRUPTION:
        return False
    (name,) = history.unlisted
    if not name.startswith(f"{number:04d}_"):
        return False
    try:
        data = read_small(context.files, f"{where}/{name}", MANIFEST_LIMIT_BYTES)
        manifest = read_manifest(data)
        chain = None
        if history.chain:
            chain = read_small(context.files, f"{where}/{CHAIN_NAME}", CHAIN_LIMIT_BYTES)
    except (DeviceError, HostileInputError):
        return False
    ours = manifest.creator.tool == TOOL and not manifest.references and not manifest.faults
    if not ours or not all(_says_what_is_known(file, known) for file in manifest.files):
        return False
    replace_own(context.files, f"{where}/{CHAIN_NAME}", extend_chain(chain, name, data), guard)
    return True


def drop_temporaries(context: Context, where: str) -> None:
    """Remove manifests and chains of our own that were never finished: nobody goes on with them."""
    with suppress(OSError):  # what stays is no matter
        names = [name for name, kind in context.files.list(where) if kind is EntryKind.FILE]
        for name in filter(is_temp_name, names):
            discard(context.files, f"{where}/{name}")


def _says_what_is_known(file: ReadFile, known: Mapping[str, str]) -> bool:
    told = {one.text: one.action for one in file.hashes if one.format is Format.XXH128}
    if file.path not in known or len(told) != 1:
        return False
    ((text, action),) = told.items()
    return (text == known[file.path]) == (action is not Action.FAILED)
