"""Small files of other making, read with a limit: markers, manifests, chains."""

from backupkeeper.core.errors import SHORT, HostileInputError, ReadError, SystemShortError
from backupkeeper.ports.files import EntryKind, Files

CHUNK_BYTES = 1 << 20


def read_small(files: Files, path: str, limit_bytes: int) -> bytes:
    """The whole file.

    Raises:
        HostileInputError: it is no regular file, or longer than the limit.
        ReadError: it can't be read (``number`` tells a missing file: ``ENOENT``).
        SystemShortError: nothing is known of it.
    """
    try:
        handle = files.open_read(path)
    except OSError as error:
        raise _failed(path, error.errno or 0) from error
    try:
        stat = files.stat_handle(handle)
        if stat.kind is not EntryKind.FILE or stat.size > limit_bytes:
            raise HostileInputError(f"{path} is not a plain file of at most {limit_bytes} bytes.")
        data = bytearray()
        buffer = memoryview(bytearray(min(CHUNK_BYTES, limit_bytes + 1)))
        while got := files.read_into(handle, buffer, len(data)):
            data += buffer[:got]
            if len(data) > limit_bytes:
                raise HostileInputError(f"{path} grew beyond {limit_bytes} bytes.")
    except OSError as error:
        raise _failed(path, error.errno or 0) from error
    finally:
        files.close(handle)
    return bytes(data)


def _failed(path: str, number: int) -> ReadError | SystemShortError:
    return SystemShortError(path, number) if number in SHORT else ReadError(path, number)
