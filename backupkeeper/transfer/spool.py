"""A folder in which one file at a time is encrypted before it is sent, and kept until it arrived.

Promises:
1. A file has its name (what it is of, and the BLAKE3 of what is in it) only once it is whole and
   synced. Of one file there is never more than one.
2. What is given out was compared, block by block, with what was written.
3. Folders that it makes are for their owner alone.
4. Room is looked for first. What is kept there of other files makes way, the oldest first; a file
   that does not fit then is refused before a byte is written.
5. Only ``SpoolError`` leaves, and what a caller's own code raised.

Nothing else lies in there, and one process at a time uses it (the bucket's lock sees to that). Of its
threads one at a time fills it.
"""

import errno
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from typing import Final

from blake3 import blake3

from backupkeeper.core.age import SUFFIX
from backupkeeper.core.errors import BackupkeeperError, SpoolError
from backupkeeper.core.model import Content
from backupkeeper.ports.files import EntryKind, Files, Handle
from backupkeeper.ports.mounts import Mounts
from backupkeeper.transfer.coldpolicy import cold_policy
from backupkeeper.transfer.coldread import checked_blocks
from backupkeeper.transfer.hashing import Hasher

SPARE_BYTES: Final = 256 * 1024 * 1024
"""Room left free: the catalog may lie on the same file system."""
_BEGUN: Final = "encrypting.part"
_OTHER_FOLDER: Final = "Make room, or name another folder under [upload] spool."

Take = Callable[[bytes], object]


class Spool:
    """See the module.

    Args:
        files: the system.
        mounts: tells what the folder rests on.
        folder: absolute; made where it is not there (and the one above it).
        stopwatch: seconds, never back.
    """

    def __init__(
        self, files: Files, mounts: Mounts, folder: str, stopwatch: Callable[[], float]
    ) -> None:
        self._files = files
        self._mounts = mounts
        self._folder = folder
        self._stopwatch = stopwatch
        self._lock = threading.Lock()

    def path_of(self, path: str, made: Content) -> str:
        """Where what was made of a file is."""
        return f"{self._folder}/{_token(path)}-{made.blake3}{SUFFIX}"

    def holds(self, path: str, made: Content) -> bool:
        """Whether a file of this name and size is here; its bytes are compared when they are read."""
        try:
            stat = self._files.stat(self.path_of(path, made))
        except OSError:
            return False
        return stat.kind is EntryKind.FILE and stat.size == made.size

    def fill(self, path: str, most_bytes: int, write: Callable[[Take], object]) -> Content:
        """Make a file.

        Args:
            path: what it is of, for messages.
            most_bytes: how large it may become.
            write: is handed what takes its bytes, in order.

        Returns:
            What was written.

        Raises:
            SpoolError: there is no room for it, or it can't be written.
            BaseException: what ``write`` raised; nothing is left of it.
        """
        with self._lock:
            return self._filled(path, most_bytes, write)

    def _filled(self, path: str, most_bytes: int, write: Callable[[Take], object]) -> Content:
        try:
            self._make_ready(path, most_bytes)
            handle = self._files.create(self._begun)
            try:
                made = self._written(handle, write)
            except BaseException:
                self._remove(self._begun)
                raise
            finally:
                self._files.close(handle)
            self._files.rename_new(self._begun, self.path_of(path, made))
            self._files.sync_folder(self._folder)
        except OSError as error:
            raise _told(path, error) from error
        return made

    def blocks(self, path: str, made: Content) -> Iterator[memoryview]:
        """The bytes of a file in blocks, each compared; from the medium where that can be had.

        Raises:
            SpoolError: it holds others by now, or can't be read; it is gone then.
        """
        policy = cold_policy(
            self._mounts.under(self._folder).fs_type, None, stopwatch=self._stopwatch
        )
        with closing(checked_blocks(self._files, self.path_of(path, made), made, policy)) as blocks:
            while True:
                try:
                    block = next(blocks, None)
                except BackupkeeperError as error:
                    self.drop(path)
                    raise SpoolError(
                        path,
                        f"what was encrypted of it can't be read back ({error.message})",
                        advice="Repeat the command: it is encrypted anew.",
                    ) from error
                if block is None:
                    return
                yield block

    def drop(self, path: str) -> None:
        """Remove what was made of a file, if it is here."""
        with suppress(OSError):
            for name, _ in list(self._files.list(self._folder)):
                if name.startswith(f"{_token(path)}-"):
                    self._remove(f"{self._folder}/{name}")

    @property
    def _begun(self) -> str:
        return f"{self._folder}/{_BEGUN}"

    def _written(self, handle: Handle, write: Callable[[Take], object]) -> Content:
        hasher = Hasher()

        def take(data: bytes) -> None:
            view, at = memoryview(data), hasher.size
            hasher.update(view)
            while view:
                wrote = self._files.write_at(handle, view, at)
                view, at = view[wrote:], at + wrote

        write(take)
        self._files.sync(handle)
        return hasher.content()

    def _make_ready(self, path: str, most_bytes: int) -> None:
        for folder in (self._folder.rpartition("/")[0], self._folder):
            try:
                self._files.make_folder(folder, private=True)
            except OSError as error:
                if error.errno != errno.EEXIST:
                    raise
        self._remove(self._begun)
        self.drop(path)
        wanted = most_bytes + SPARE_BYTES
        for _, kept in sorted(self._kept()):
            if self._files.free_bytes(self._folder) >= wanted:
                return
            self._remove(kept)
        free = self._files.free_bytes(self._folder)
        if free < wanted:
            raise SpoolError(
                path,
                f"it needs {wanted:,} bytes in {self._folder}, and {free:,} are free",
                advice=_OTHER_FOLDER,
            )

    def _kept(self) -> Iterator[tuple[int, str]]:
        for name, kind in self._files.list(self._folder):
            if kind is EntryKind.FILE and name.endswith(SUFFIX):
                path = f"{self._folder}/{name}"
                yield self._files.stat(path).mtime_ns, path

    def _remove(self, path: str) -> None:
        with suppress(OSError):
            self._files.unlink(path)


def _token(path: str) -> str:
    return blake3(path.encode("utf-8", "surrogateescape")).hexdigest()[:16]


def _told(path: str, error: OSError) -> SpoolError:
    why = f"its folder can't be used ({error.strerror or error})"
    return SpoolError(path, why, advice=_OTHER_FOLDER)
