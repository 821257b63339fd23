"""One piece of work at a time: an advisory lock beside the catalog."""

import fcntl
import os
from types import TracebackType

from backupkeeper.core.errors import CatalogError, OutOfReachError


class WorkLock:
    """Held while a command writes to places; released by the system even after a kill.

    The file's text is the process id of the holder, for the sentence that another one prints.
    """

    def __init__(self, path: str) -> None:
        self._path = path
        self._handle: int | None = None

    def __enter__(self) -> None:
        """Take the lock.

        Raises:
            OutOfReachError: another process holds it.
            CatalogError: the lock file can't be made.
        """
        try:
            handle = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise CatalogError(
                f"The lock {self._path} can't be made ({error.strerror})."
            ) from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.read(handle, 32).decode("ascii", "replace").strip() or "unknown"
            os.close(handle)
            raise OutOfReachError(
                f"Another backupkeeper is at work on these places (process {holder}).",
                advice="Wait until it is done, then repeat the command.",
            ) from None
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        self._handle = handle

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
