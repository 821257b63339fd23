"""Named locks beside the catalog: one program at a time at each place.

Promises:
1. A lock dies with its holder, even after a kill (``flock``, released by the system).
2. It is taken or refused within a fifth of a second, so nothing can wait for each other. (So long
   it tries: somebody who only looks who holds it takes it for an instant.)
3. Nobody holds it twice: the very process that holds it is refused as well. Whoever needs it in
   two steps takes it around both.
4. ``holder`` names a process that runs, where the system tells: never the one before it.
5. Only ``PlaceHeldError`` and ``CatalogError`` leave. A full disk keeps nobody from a lock.

The file's text is the process id of the holder and what it does, for the sentence that another
program prints; it is written once the lock is held and taken out before it is released. Files stay;
only their lock means anything. Whoever removes them while somebody holds one takes the lock away,
but not the one on the drive's own marker.
"""

import fcntl
import os
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Final

from backupkeeper.core.errors import CatalogError, PlaceHeldError
from backupkeeper.ports.locks import Holder

_NAME: Final = re.compile(r"[0-9a-z-]{1,64}")
_MOST_TEXT_BYTES: Final = 1000
_FLAGS: Final = os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
TRIES: Final = 8
BETWEEN_TRIES_S: Final = 0.025
PROC_LOCKS: Final = "/proc/locks"
"""All file locks of the machine (proc_locks(5)): ``1: FLOCK ADVISORY WRITE 4711 08:01:131 0 EOF``."""


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
        path = self._path(name)
        handle = self._made(path)
        try:
            if not _is_taken(handle, path):
                holder = _named(handle) or Holder(process=0, doing="")
                raise PlaceHeldError(called, process=holder.process or None, doing=holder.doing)
            _write(handle, f"{os.getpid()}\n{doing}\n")
            try:
                yield
            finally:
                _write(handle, "")
        finally:
            os.close(handle)

    def holder(self, name: str) -> Holder | None:
        """Who holds it now, if anybody. Leaves nothing behind.

        Raises:
            CatalogError: the lock can't be looked at.
        """
        path = self._path(name)
        try:
            handle = os.open(path, os.O_RDONLY | _FLAGS)
        except FileNotFoundError:
            return None
        except OSError as error:
            raise _useless(path, error) from error
        try:
            for _ in range(TRIES):
                if _is_ours(handle, path, fcntl.LOCK_SH):
                    return None
                found = _named(handle)
                if found is not None:
                    return found
                threading.Event().wait(BETWEEN_TRIES_S)
        finally:
            os.close(handle)
        return Holder(process=0, doing="")

    def _path(self, name: str) -> str:
        if not _NAME.fullmatch(name):
            raise CatalogError(f"There is no lock called {name!r}.")
        return f"{self._folder}/{name}"

    def _made(self, path: str) -> int:
        try:
            os.makedirs(self._folder, mode=0o700, exist_ok=True)
            return os.open(path, os.O_RDWR | os.O_CREAT | _FLAGS, 0o600)
        except OSError as error:
            raise _useless(path, error) from error


def _useless(path: str, error: OSError) -> CatalogError:
    return CatalogError(
        f"The lock {path} can't be used ({error.strerror}).",
        advice="It must be a file that this user may write, on a local disk. An old one can be "
        "removed while no backupkeeper runs.",
    )


def _is_taken(handle: int, path: str) -> bool:
    for _ in range(TRIES):
        if _is_ours(handle, path, fcntl.LOCK_EX):
            return True
        threading.Event().wait(BETWEEN_TRIES_S)
    return False


def _is_ours(handle: int, path: str, how: int) -> bool:
    try:
        fcntl.flock(handle, how | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        raise _useless(path, error) from error
    return True


def _write(handle: int, text: str) -> None:
    """The lock's text. Without room there is none: the lock holds all the same."""
    with suppress(OSError):
        os.ftruncate(handle, 0)
        # Whatever a text is made of, something can be written: odd bytes of a path as ``\udcff``.
        os.pwrite(handle, text.encode("utf-8", "backslashreplace")[:_MOST_TEXT_BYTES], 0)


def _named(handle: int) -> Holder | None:
    """The holder: what its text says of the process that the system, or else the text, names."""
    told = _told_by_system(os.fstat(handle))
    text = b""
    with suppress(OSError):
        text = os.pread(handle, _MOST_TEXT_BYTES, 0)
    number, _, rest = text.decode("utf-8", "replace").partition("\n")
    written = int(number) if number.isdecimal() else 0
    if written > 0 and (written == told if told is not None else _runs(written)):
        return Holder(process=written, doing=rest.partition("\n")[0])
    # It has only just taken the lock, or had no room for a text; a kill may have left an older one.
    return None if told is None else Holder(process=told, doing="")


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except PermissionError:
        return True
    except (ProcessLookupError, OverflowError):
        return False
    return True


def _told_by_system(file: os.stat_result) -> int | None:
    """Which process holds this file in ``/proc/locks``, where there is such a thing."""
    this = f"{os.major(file.st_dev):02x}:{os.minor(file.st_dev):02x}:{file.st_ino}"
    with suppress(OSError), open(PROC_LOCKS, encoding="ascii", errors="replace") as table:
        for line in table:
            words = line.split()
            if words[1:4] == ["FLOCK", "ADVISORY", "WRITE"] and words[5:6] == [this]:
                # 0 or -1: a process outside of this container.
                return int(words[4]) if words[4].isdecimal() and int(words[4]) else None
    return None
