"""Whether the history in a roll's folder is this roll's, and says of its files what the catalog says.

Promises:
1. Only what is known is asked; nothing is read from a drive, or written.
2. A history of another roll (somebody put that one's folder there) is never gone on with.
"""

from collections.abc import Mapping
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.model import Roll
from backupkeeper.manifests.mhl_model import History

Known = Mapping[str, str]
"""XXH3-128 of files, by their path below the roll's folder."""


ANOTHERS: Final = "the history there tells of another roll, whose folder somebody put there, and is left as it is."


def is_another_rolls(context: Context, roll: Roll, history: History) -> bool:
    """Whether at least half of what a history in a roll's folder tells of is not this roll's."""
    homes = possible_paths(roll.head.folder, [*(file.path for file in roll.files), *roll.folders])
    contents = context.catalog.contents(file.content for file in roll.files)
    cut = len(roll.head.folder) + 1
    files = {
        home[cut:]: contents[file.content].xxh128
        for file in roll.files
        for home in homes[file.path]
    }
    mine = sum(
        path in files and hashes.get("xxh128", files[path]) == files[path]
        for path, hashes in history.reference.items()
    )
    return bool(history.reference) and 2 * mine <= len(history.reference)


def tells_all(history: History, files: Known) -> bool:
    """Whether a history that can be believed tells the very hash of each of these, as right."""
    return not history.faults and all(
        history.reference.get(path, {}).get("xxh128") == xxh128 and path not in history.failed
        for path, xxh128 in files.items()
    )
