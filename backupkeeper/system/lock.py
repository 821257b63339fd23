"""Named locks beside the catalog: one program at a time at each place.

Promises:
1. A lock dies with its holder, even after a kill (``flock``, released by the system).
2. It is taken or refused within a fifth of a second, so nothing can wait for each other. (So long
   it tries: somebody who only looks who holds it takes it for an instant.)
3. It is no lock against the process itself that holds it: that is refused as well.

The file's text is the process id of the holder and what it does, for the sentence that another
program prints. Files stay; only their lock means anything.
"""

import fcntl
import os
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from backupkeeper.core.errors import CatalogError, PlaceHeldError
from backupkeeper.ports.locks import Holder

_NAME: Final = re.compile(r"[0-9a-z-]{1,64}")
_MOST_TEXT_BYTES: Final = 1000
TRIES: Final = 8
BETWEEN_TRIES_S: Final = 0.025


class PlaceLocks:
    """``ports.locks.Locks`` in a folder of its own (made for its owner alone)."""

    def __init__(self, folder: str) -> None:
        self._folder = folder

    @contextmanager
    def hold(self, name: str, *, called: str, doing: str) -> Iterator[None]:
        """Hold a lock for the time of the block.

        Raises:
            PlaceHeldError: another process holds it.
            CatalogError: the lock can't be made.
        """
        handle = self._opened(name)
        if not _taken(handle):
            holder = _holder(handle)
            os.close(handle)
            raise PlaceHeldError(
                called,
                process=holder.process if holder is not None else None,
                doing=holder.doing if holder is not None else "",
            )
        try:
            text = f"{os.getpid()}\n{doing}\n".encode("utf-8", "surrogateescape")
            os.ftruncate(handle, 0)
            os.pwrite(handle, text[:_MOST_TEXT_BYTES], 0)
            yield
        finally:
            os.close(handle)

    def holder(self, name: str) -> Holder | None:
        """Who holds it now, if anybody.

        Raises:
            CatalogError: the lock can't be looked at.
        """
        handle = self._opened(name)
        try:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return _holder(handle) or Holder(process=0, doing="")
        finally:
            os.close(handle)
        return None

    def _opened(self, name: str) -> int:
        if not _NAME.fullmatch(name):
            raise CatalogError(f"There is no lock called {name!r}.")
        path = f"{self._folder}/{name}"
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
        try:
            os.makedirs(self._folder, mode=0o700, exist_ok=True)
            return os.open(path, flags, 0o600)
        except OSError as error:
            raise CatalogError(f"The lock {path} can't be made ({error.strerror}).") from error


def _taken(handle: int) -> bool:
    for _ in range(TRIES):
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            threading.Event().wait(BETWEEN_TRIES_S)
        else:
            return True
    return False


def _holder(handle: int) -> Holder | None:
    lines = os.pread(handle, _MOST_TEXT_BYTES, 0).decode("utf-8", "replace").splitlines()
    if not lines or not lines[0].isdecimal():
        return None
    return Holder(process=int(lines[0]), doing=lines[1] if len(lines) > 1 else "")
