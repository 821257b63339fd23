"""A plain checksum list of a roll, for general checksum tools."""

from backupkeeper.actions.context import Context
from backupkeeper.actions.selection import find_roll
from backupkeeper.core.fitting import fit_names
from backupkeeper.core.naming import POSIX
from backupkeeper.manifests.checksum_list import write_list


def export_list(context: Context, roll: str) -> bytes:
    """BLAKE3 of every original of a roll in the common ``HASH  PATH`` form, sorted by path.

    Paths are those on a drive that holds any name (ext4, XFS) and in the bucket; the list is
    checked from inside the roll's folder.

    Raises:
        UsageError: no roll, or more than one, answers to the name.
    """
    found = context.catalog.roll(find_roll(context, roll).id)
    names = fit_names([*(file.path for file in found.files), *found.folders], POSIX)
    return write_list((file.content, names[file.path]) for file in found.files)
