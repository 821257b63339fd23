"""The writing end of the pipeline: one destination, from the first byte to the final name.

Promises (the order is that of ``transfer.durable``):
1. Temporary names are written and synced, then read back, and only what matched gets its final
   name; then the names are synced; only then is anything told as landed.
2. A file whose sync failed is written anew from its source, never synced again. The second such
   failure ends the destination.
3. What concerns one file (a name the drive can't hold) fails that file; what concerns the drive
   (full, read-only, gone, broken) ends this destination only.
"""

import errno
import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass

from backupkeeper.core.errors import (
    BackupkeeperError,
    NameTakenError,
    NoSpaceError,
    ReadBackError,
    ReadError,
    SourceChangedError,
    SyncError,
)
from backupkeeper.core.model import Content
from backupkeeper.ports.files import Files
from backupkeeper.transfer.batches import Batch, Destination, Landed, Piece, Work
from backupkeeper.transfer.coldpolicy import ColdKind
from backupkeeper.transfer.coldread import READ_BYTES, ColdReader, ColdReading
from backupkeeper.transfer.durable import TempFile, discard, make_folders, temp_name
from backupkeeper.transfer.failures import ONE_FILE, ends_the_device, write_failure
from backupkeeper.transfer.reading import opened
from backupkeeper.transfer.ring import AbandonedError, Buffers, new_buffer

NOT_RESERVABLE = frozenset({errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL})


@dataclass(frozen=True, kw_only=True, slots=True)
class Again:
    """This file is to be brought here once more from its source, because of ``error``."""

    error: BackupkeeperError


Outcome = Landed | BackupkeeperError | Again | None
"""None: this destination was not asked for the file."""


@dataclass(kw_only=True, slots=True, eq=False)
class _Arrival:
    work: Work
    target: str
    temp: TempFile | None = None
    is_open: bool = False
    is_taken: bool = False
    reading: ColdReading | None = None
    failed: BackupkeeperError | Again | None = None

    @property
    def temp_path(self) -> str:
        """Its temporary name, whether there is such a file now or not."""
        return self.temp.path if self.temp is not None else temp_name(self.target)

    @property
    def content(self) -> Content:
        assert self.work.content is not None
        return self.work.content


class Arrivals:
    """Everything that arrives at one destination. Used by one thread.

    Args:
        files: the system.
        destination: the place.
        stopped: asked between buffers; work is abandoned when it says so.
    """

    def __init__(self, files: Files, destination: Destination, stopped: Callable[[], bool]) -> None:
        self._files = files
        self._to = destination
        self._stopped = stopped
        self._by_work: dict[Work, _Arrival] = {}
        self._folders: set[str] = set()
        self._scratch: memoryview | None = None
        self._buffers = Buffers(READ_BYTES)
        self._sync_failures = 0
        self._may_try_again = True
        self.ended: BackupkeeperError | None = None

    @property
    def destination(self) -> Destination:
        """Where it all arrives."""
        return self._to

    def last_chance(self) -> None:
        """From now on nothing is asked for once more."""
        self._may_try_again = False

    def take(self, piece: Piece, longest: int) -> None:
        """Write a piece. ``longest`` bounds the length of any piece."""
        target = piece.work.job.targets.get(self._to.place)
        if target is None or self.ended is not None:
            return
        arrival = self._by_work.get(piece.work)
        if arrival is None:
            arrival = self._by_work[piece.work] = _Arrival(work=piece.work, target=target)
            self._try(arrival, self._begin)
        if arrival.temp is not None and arrival.is_open and piece.data:
            self._try(arrival, lambda arrival: self._put(arrival, piece, longest))
        if piece.last:
            self._try(arrival, self._close)

    def settle(self, batch: Batch) -> list[Outcome]:
        """Bring a batch to its end: proven, named, durable. One outcome for each of its works."""
        found = [self._by_work.pop(work, None) for work in batch.works]
        mine = [arrival for arrival in found if arrival is not None]
        if self.ended is None:
            try:
                self._prove_and_name(mine)
            except AbandonedError:
                raise
            except BackupkeeperError as error:
                self._end(error)
        if self.ended is not None:
            self._tidy(mine)
        return [
            self._outcome(work, arrival) for work, arrival in zip(batch.works, found, strict=True)
        ]

    def abandon(self) -> None:
        """Close what is open; temporary files stay, to be continued."""
        for arrival in self._by_work.values():
            self._shut(arrival)

    def _outcome(self, work: Work, arrival: _Arrival | None) -> Outcome:
        if self._to.place not in work.job.targets:
            return None
        if arrival is not None and arrival.failed is not None:
            return arrival.failed
        if self.ended is not None:
            return self.ended
        assert arrival is not None
        assert arrival.reading is not None
        return Landed(
            cold=arrival.reading.cold,
            evidence=arrival.reading.evidence,
            why_not_cold=arrival.reading.why_not_cold,
        )

    # Failures.

    def _try(self, arrival: _Arrival, step: Callable[[_Arrival], None]) -> None:
        if arrival.failed is not None or self.ended is not None:
            return
        try:
            step(arrival)
        except OSError as error:
            self._fail(arrival, error)
        except (NameTakenError, ReadError) as error:
            arrival.failed = error
        except SyncError as error:
            self._sync_failed([arrival], error)
        except AbandonedError:
            raise
        except BackupkeeperError as error:
            self._end(error)

    def _fail(self, arrival: _Arrival, error: OSError) -> None:
        failure = write_failure(arrival.target, error)
        if not ends_the_device(error):
            try:
                self._to.guard()
            except BackupkeeperError as gone:
                self._end(gone)
            else:
                arrival.failed = failure
                self._drop(arrival)
            return
        self._end(failure)

    def _end(self, error: BackupkeeperError) -> None:
        self.ended = error
        self._tidy(self._by_work.values())

    def _tidy(self, arrivals: Iterable[_Arrival]) -> None:
        """Close; on a full drive also give the room back."""
        for arrival in arrivals:
            self._shut(arrival)
            if isinstance(self.ended, NoSpaceError) and arrival.temp is not None:
                discard(self._files, arrival.temp.path)

    def _shut(self, arrival: _Arrival) -> None:
        if arrival.temp is not None and arrival.is_open:
            arrival.is_open = False
            with suppress(OSError):
                arrival.temp.close()

    def _drop(self, arrival: _Arrival) -> None:
        self._shut(arrival)
        if arrival.temp is not None:
            discard(self._files, arrival.temp.path)

    def _sync_failed(self, arrivals: Iterable[_Arrival], error: BackupkeeperError) -> None:
        self._sync_failures += 1
        for arrival in arrivals:
            if arrival.failed is None:
                self._drop(arrival)
                arrival.failed = Again(error=error) if self._may_try_again else error
        if self._sync_failures > 1 or not isinstance(error, SyncError):
            self._end(error)

    # Writing.

    def _begin(self, arrival: _Arrival) -> None:
        self._to.guard()
        folder = os.path.dirname(arrival.target)
        if folder not in self._folders:
            root = self._to.root.rstrip("/")
            make_folders(self._files, root or "/", folder.removeprefix(root), self._to.guard)
            self._folders.add(folder)
        if self._stands(arrival.target):
            arrival.is_taken = True
            return
        arrival.temp = TempFile(self._files, arrival.target)
        arrival.is_open = True
        if arrival.work.is_large:
            self._reserve(arrival.temp, arrival.work.job.size)

    def _stands(self, path: str) -> bool:
        try:
            self._files.stat(path)
        except FileNotFoundError:
            return False
        return True

    def _reserve(self, temp: TempFile, size: int) -> None:
        try:
            self._files.reserve(temp.handle, size)
        except OSError as error:
            if error.errno not in NOT_RESERVABLE:
                raise

    def _put(self, arrival: _Arrival, piece: Piece, longest: int) -> None:
        assert arrival.temp is not None
        if self._scratch is None:
            self._scratch = new_buffer(longest)
        arrival.temp.put(piece.data, piece.offset, self._scratch)

    def _close(self, arrival: _Arrival) -> None:
        failure = arrival.work.failure()
        if failure is not None:
            arrival.failed = failure
            self._drop(arrival)
            return
        if arrival.temp is None:
            return
        arrival.temp.cut(arrival.work.job.size)
        if arrival.work.is_large or not self._syncs_at_once:
            try:
                self._files.sync(arrival.temp.handle)
            except OSError as error:
                raise write_failure(arrival.target, error, syncing=True) from error
        arrival.is_open = False
        arrival.temp.close()

    @property
    def _syncs_at_once(self) -> bool:
        """Whether one call syncs all files: a program behind FUSE is not told of ``syncfs``."""
        return self._to.cold.kind is ColdKind.KERNEL

    # Proving and naming.

    def _prove_and_name(self, arrivals: list[_Arrival]) -> None:
        alone = len(arrivals) == 1 and arrivals[0].work.is_large
        if not self._sync_bytes(arrivals, alone=alone):
            return
        live = [arrival for arrival in arrivals if arrival.failed is None]
        if not live:
            return
        for arrival in live:
            if arrival.is_taken:
                self._try(arrival, self._sync_taken)
        reader = ColdReader(self._files, self._to.cold, buffers=self._buffers)
        for arrival in live:
            self._try(arrival, lambda arrival: self._prove(arrival, reader))
        if self.ended is not None:
            return
        self._to.guard()
        for arrival in live:
            self._try(arrival, lambda arrival: self._name(arrival, reader))
        self._sync_names([arrival for arrival in live if arrival.failed is None], alone=alone)

    def _sync_bytes(self, arrivals: list[_Arrival], *, alone: bool) -> bool:
        written = [one for one in arrivals if one.failed is None and one.temp is not None]
        if alone or not self._syncs_at_once or not written:
            return True
        try:
            self._files.sync_tree(self._to.root)
        except OSError as error:
            failure = write_failure(self._to.root, error, syncing=True)
            self._sync_failed(arrivals, failure)
            return False
        return True

    def _sync_taken(self, arrival: _Arrival) -> None:
        """Bytes that stand under the name already may be another's, still in memory only."""
        with opened(self._files, arrival.target) as handle:
            try:
                self._files.sync(handle)
            except OSError as error:
                raise write_failure(arrival.target, error, syncing=True) from error

    def _prove(self, arrival: _Arrival, reader: ColdReader) -> None:
        path = arrival.target if arrival.is_taken else arrival.temp_path
        try:
            reading = reader.read(path, self._look_up)
        except SourceChangedError:
            reading = None
        if reading is not None and _matches(reading, arrival.content):
            arrival.reading = reading
            return
        if arrival.is_taken:
            arrival.failed = NameTakenError(arrival.target)
            return
        self._drop(arrival)
        error = ReadBackError(arrival.target)
        arrival.failed = Again(error=error) if self._may_try_again else error

    def _look_up(self, _: int) -> None:
        if self._stopped():
            raise AbandonedError

    def _name(self, arrival: _Arrival, reader: ColdReader) -> None:
        if arrival.is_taken:
            discard(self._files, arrival.temp_path)
            return
        temp = arrival.temp_path
        try:
            self._files.set_times(temp, arrival.work.job.mtime_ns)
        except OSError as error:
            if error.errno not in ONE_FILE | {errno.EOVERFLOW}:
                raise
            # A time that this file system can't hold is no reason to go without the bytes.
        try:
            self._files.rename_new(temp, arrival.target)
        except OSError as error:
            if error.errno != errno.EEXIST:
                raise
            arrival.is_taken = True
            self._sync_taken(arrival)
            self._prove(arrival, reader)
            self._files.unlink(temp)

    def _sync_names(self, named: list[_Arrival], *, alone: bool) -> None:
        if not named:
            return
        try:
            if self._syncs_at_once and not alone:
                self._files.sync_tree(self._to.root)
                return
            for folder in dict.fromkeys(os.path.dirname(arrival.target) for arrival in named):
                self._files.sync_folder(folder)
        except OSError as error:
            failure = write_failure(self._to.root, error, syncing=True)
            self._sync_failed(named, failure)


def _matches(reading: ColdReading, content: Content) -> bool:
    return (
        not reading.unreadable
        and reading.size == content.size
        and reading.xxh128 == content.xxh128
        and reading.block_map == content.block_map
    )
