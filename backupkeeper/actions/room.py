"""How much room on a drive the files that it is to get still need."""

from collections.abc import Iterable

from backupkeeper.ports.files import Files
from backupkeeper.transfer.durable import temp_name

SPARE_BYTES = 64 * 1024 * 1024
"""Room left on every drive: manifests, folders and the file system's own needs."""


def room_needed(
    files: Files, wanted: Iterable[tuple[str, int]], *, spare_bytes: int = SPARE_BYTES
) -> int:
    """Bytes that must be free for these files and some room to work.

    What an interruption left of a file has its room already: that temporary file is gone on with.

    Args:
        files: the system.
        wanted: final name, absolute, and size of each file.
        spare_bytes: the room to work.
    """
    return spare_bytes + sum(size - min(size, _left(files, path)) for path, size in wanted)


def _left(files: Files, path: str) -> int:
    try:
        return files.stat(temp_name(path)).size
    except OSError:
        return 0
