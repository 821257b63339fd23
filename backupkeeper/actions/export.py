"""A plain checksum list of a roll, for general checksum tools."""

from backupkeeper.actions.context import Context
from backupkeeper.actions.selection import find_roll
from backupkeeper.manifests.checksum_list import write_list


def export_list(context: Context, roll: str) -> bytes:
    """BLAKE3 of every original of a roll in the common ``HASH  PATH`` form, sorted by path.

    Paths are those on the card; the list is checked from inside the roll's folder.

    Raises:
        UsageError: no roll, or more than one, answers to the name.
    """
    files = context.catalog.roll(find_roll(context, roll).id).files
    return write_list((file.content, file.path) for file in files)
