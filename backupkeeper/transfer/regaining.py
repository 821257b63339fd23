"""A file brought back where there is none, block by block, from whoever has each block right.

Promises:
1. Every block is compared with the block map before it is written. What an interruption left under the
   temporary name is compared likewise, and only what is not right there is asked for again.
2. The file gets its name once all of it came back from the medium right, XXH3-128, BLAKE3 and block map.
   A name that is taken stays as it is.
3. Each giver is asked for a block only where those before it did not have it right, and once more where
   what came is wrong: a line may spoil what a store has right.
"""

import errno
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial

from backupkeeper.core.errors import (
    BackupkeeperError,
    NameTakenError,
    ReadBackError,
    SourceChangedError,
    SyncError,
)
from backupkeeper.core.model import BLOCK_BYTES, Content
from backupkeeper.core.ranges import Ranges, ranges_of
from backupkeeper.ports.files import Files
from backupkeeper.transfer.coldpolicy import ColdKind, ColdPolicy
from backupkeeper.transfer.coldread import ColdReader, ColdReading, SoFar
from backupkeeper.transfer.durable import Guard, TempFile, discard, told_as_ours
from backupkeeper.transfer.failures import ONE_FILE
from backupkeeper.transfer.hashing import Hasher
from backupkeeper.transfer.mending import NOT_RESERVABLE, Giver, is_right
from backupkeeper.transfer.piecing import pieced
from backupkeeper.transfer.reading import fill
from backupkeeper.transfer.ring import AbandonedError, new_buffer


@dataclass(frozen=True, kw_only=True, slots=True)
class Wanted:
    """The file. ``path`` is its final name, absolute; its folder must be there.

    ``further`` are digests to be made of what comes back from the medium (see ``transfer.hashing``).
    """

    path: str
    content: Content
    mtime_ns: int
    cold: ColdPolicy
    further: Sequence[str] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class WholeReading:
    """A file that was read from the medium and is right, with the further digests asked for."""

    reading: ColdReading
    digests: Mapping[str, str]


@dataclass(kw_only=True, slots=True)
class Regained:
    """What came of it.

    ``continued`` are blocks that an earlier run had left, right; ``taken`` and ``wrong`` blocks by the
    giver's number; ``lost`` what nobody has right: then the file is not there, and ``reading`` is None.
    """

    continued: int = 0
    taken: dict[int, list[int]] = field(default_factory=dict)
    wrong: dict[int, list[int]] = field(default_factory=dict)
    pieced: list[int] = field(default_factory=list)
    lost: Ranges = ()
    reading: ColdReading | None = None
    digests: Mapping[str, str] = field(default_factory=dict)


class Regaining:
    """One file brought back.

    Args:
        files: the system.
        wanted: which.
        givers: copies of it, those to ask first.
        guard: raises if what is written to is not what it was any more.
        on_bytes: told how many bytes were gone through, as it goes.
        stopped: asked before every block.
        unreached: why one of the givers can't be asked now, where that is so: then a block that nobody
            gives is not lost, and what came so far stays to be gone on with.
    """

    def __init__(
        self,
        files: Files,
        wanted: Wanted,
        givers: Sequence[Giver],
        guard: Guard,
        on_bytes: Callable[[int], None],
        stopped: Callable[[], bool],
        unreached: Callable[[], BackupkeeperError | None] = lambda: None,
    ) -> None:
        self._files = files
        self._wanted = wanted
        self._givers = givers
        self._guard = guard
        self._on_bytes = on_bytes
        self._stopped = stopped
        self._unreached = unreached
        self._made = Regained()
        self._lost: list[int] = []

    def make(self) -> Regained:
        """Bring it.

        Raises:
            AbandonedError: it was stopped; what came so far stays under the temporary name.
            OutOfReachError: no giver that can be asked now has a block; likewise.
            ReadBackError: what came back from the medium is not what was written.
            NameTakenError: something has that name by now.
            SyncError, WriteError, NoSpaceError, ReadOnlyError: the medium does not take it.
            DriveGoneError, MountChangedError: it is not there any more.
        """
        path, size = self._wanted.path, self._wanted.content.size
        self._guard()
        with told_as_ours(path):
            temp = TempFile(self._files, path)
        try:
            with told_as_ours(path):
                self._reserve(temp)
            self._write(temp)
            with told_as_ours(path):
                temp.cut(size)
            with told_as_ours(path, syncing=True):
                self._files.sync(temp.handle)
        except BaseException as error:
            with suppress(OSError):
                temp.close()
            came = temp.continued or self._made.taken or self._made.pieced
            if isinstance(error, SyncError) or not came:
                discard(self._files, temp.path)  # what is left of it is worth nothing
            raise
        with told_as_ours(path):
            temp.close()
        self._made.lost = ranges_of(self._lost, size)
        if self._lost:
            discard(self._files, temp.path)
            return self._made
        reading = self._read_back(temp.path)
        if reading is None:
            discard(self._files, temp.path)
            raise ReadBackError(path)
        self._name(temp.path)
        self._made.reading, self._made.digests = reading.reading, reading.digests
        return self._made

    def _read_back(self, temp: str) -> WholeReading | None:
        """What is on the medium; read once more where something held its pages just then."""
        wanted = self._wanted

        def read() -> WholeReading | None:
            return read_whole(
                self._files, temp, wanted.content, wanted.cold, self._look_up, wanted.further
            )

        found = read()
        if found is not None and not found.reading.cold and wanted.cold.kind is ColdKind.KERNEL:
            return read()
        return found

    def _look_up(self, _: int) -> None:
        if self._stopped():
            raise AbandonedError

    def _reserve(self, temp: TempFile) -> None:
        try:
            self._files.reserve(temp.handle, self._wanted.content.size)
        except OSError as error:
            if error.errno not in NOT_RESERVABLE:
                raise

    def _write(self, temp: TempFile) -> None:
        path, content = self._wanted.path, self._wanted.content
        scratch = new_buffer(BLOCK_BYTES)
        for number in range(-(-content.size // BLOCK_BYTES)):
            self._look_up(number)
            wanted = min(BLOCK_BYTES, content.size - number * BLOCK_BYTES)
            if temp.continued and self._stands(temp, number, scratch[:wanted]):
                self._made.continued += 1
            else:
                data = self._right_block(number, wanted)
                if data is None:
                    self._lost.append(number)
                elif not self._lost:
                    with told_as_ours(path):
                        temp.put(data, number * BLOCK_BYTES, scratch)
            self._on_bytes(wanted)

    def _stands(self, temp: TempFile, number: int, scratch: memoryview) -> bool:
        start = number * BLOCK_BYTES
        try:
            got = fill(self._files, temp.handle, scratch, start, start + len(scratch))
        except OSError:
            return False  # what can't be read is written anew
        return got == len(scratch) and is_right(self._wanted.content, number, scratch)

    def _right_block(self, number: int, wanted: int) -> memoryview | None:
        content = self._wanted.content
        for which, giver in enumerate(self._givers):
            data = giver.block(number)
            if data is not None and not is_right(content, number, data):
                data = giver.block(number)  # once more: it may have been the way here
            if data is not None and is_right(content, number, data):
                self._made.taken.setdefault(which, []).append(number)
                return data
            self._made.wrong.setdefault(which, []).append(number)
        others = (giver.part(number) for giver in self._givers)
        found = [bytes(data)[:wanted].ljust(wanted, b"\0") for data in others if data]
        made = pieced(found, partial(is_right, content, number)) if found else None
        if made is None:
            if (error := self._unreached()) is not None:
                raise error
            return None
        self._made.pieced.append(number)
        return memoryview(made)

    def _name(self, temp: str) -> None:
        path = self._wanted.path
        with told_as_ours(path):
            try:
                self._files.set_times(temp, self._wanted.mtime_ns)
            except OSError as error:
                # A time that this file system can't hold is no reason to go without the bytes.
                if error.errno not in ONE_FILE | {errno.EOVERFLOW}:
                    raise
        self._guard()
        with told_as_ours(path):
            try:
                self._files.rename_new(temp, path)
            except OSError as error:
                if error.errno != errno.EEXIST:
                    raise
                discard(self._files, temp)
                raise NameTakenError(path) from error
        with told_as_ours(path, syncing=True):
            self._files.sync_folder(os.path.dirname(path))


def read_whole(
    files: Files,
    path: str,
    content: Content,
    cold: ColdPolicy,
    on_bytes: Callable[[int], None],
    further: Sequence[str] = (),
) -> WholeReading | None:
    """Read a file from the medium and compare all of it; None where it is not what it must be.

    Raises:
        ReadError: it can't be opened, is no regular file, or the device gives nothing.
        DriveGoneError: the device is gone.
    """
    hasher = Hasher(further)
    reader = ColdReader(files, cold)
    reading = None
    with suppress(SourceChangedError):
        reading = reader.read_on(path, SoFar(hasher=hasher), on_bytes, lambda: False)
    found = hasher.content()
    same = (found.size, found.xxh128, found.blake3, found.block_map) == (
        content.size,
        content.xxh128,
        content.blake3,
        content.block_map,
    )
    if not same or reading is None or reading.unreadable:
        return None
    return WholeReading(reading=reading, digests=found.digests)
