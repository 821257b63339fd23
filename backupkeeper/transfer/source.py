"""The reading end of the pipeline: every source file once, into the slots of the ring.

Promises:
1. A source is never written to, and its access time is left alone where the system lets us.
2. A file that is not what was listed, or changes while it is read, gets ``SourceChangedError``.
3. One unreadable file does not stop the others; when the whole source is gone, the remaining jobs
   get ``DriveGoneError`` without being tried; likewise where the system gives us no more open files or memory.
"""

import errno
import os
from collections.abc import Callable, Iterable

from backupkeeper.core.errors import (
    SHORT,
    BackupkeeperError,
    DriveGoneError,
    OutOfReachError,
    ReadError,
    SourceChangedError,
    SystemShortError,
)
from backupkeeper.core.taking import same_time
from backupkeeper.ports.files import Files, Handle, Stat
from backupkeeper.transfer.batches import Batch, Job, Parcel, Piece, Work
from backupkeeper.transfer.failures import GONE, read_failure
from backupkeeper.transfer.reading import fill, open_direct, regular
from backupkeeper.transfer.ring import PAGE_BYTES, Ring

BROKEN_IN_A_ROW = 5
"""So many files in a row that the device could not read mean that it is gone."""


class Source:
    """Reads jobs into parcels.

    Args:
        files: the system.
        ring: where slots come from.
        send: takes a filled parcel.
        pointless: asked before a file that is to be written: whether no destination is left.
    """

    def __init__(
        self,
        files: Files,
        ring: Ring,
        send: Callable[[Parcel], None],
        pointless: Callable[[], bool],
    ) -> None:
        self._files = files
        self._ring = ring
        self._send = send
        self._pointless = pointless
        self._parcel = Parcel()
        self._gone: BackupkeeperError | None = None
        self._root: str | None = None
        self._folder: str | None = None
        self._device: int | None = None
        self._broken = 0

    def run(self, batches: Iterable[Batch]) -> None:
        """Read everything. ``AbandonedError`` if the work is stopped meanwhile."""
        for batch in batches:
            for work in batch.works:
                self._take(work)
            self._parcel.closes = batch
            self._flush()

    def _take(self, work: Work) -> None:
        job = work.job
        if self._gone is not None:
            is_short = isinstance(self._gone, SystemShortError)
            work.error = self._gone if is_short else DriveGoneError("The source", job.source)
        elif job.targets and self._pointless():
            work.error = OutOfReachError(
                f"{job.source} was not read: there is no drive left to write it to."
            )
        else:
            self._see(job)
            try:
                self._read(work)
                self._broken = 0
            except OSError as error:
                work.error = self._judge(job, error)
            except (SourceChangedError, ReadError) as error:
                work.error = error
        self._end(work)

    def _end(self, work: Work) -> None:
        pieces = self._parcel.pieces
        if pieces and pieces[-1].work is work:
            pieces[-1].last = True
        else:
            pieces.append(Piece(work=work, data=memoryview(b""), offset=0, last=True))

    def _read(self, work: Work) -> None:
        direct = open_direct(self._files, work.job.source)
        handle = direct if direct is not None else self._files.open_read(work.job.source)
        try:
            stat = regular(self._files, work.job.source, handle)
            self._device = stat.device
            _compare(work.job, stat)
            self._files.drop_pages(handle)  # what stands on the card, not what is remembered of it
            self._pump(work, handle)
            after = self._files.stat_handle(handle)
            if (after.size, after.mtime_ns) != (stat.size, stat.mtime_ns):
                raise SourceChangedError(work.job.source)
            if direct is None:
                self._files.drop_pages(handle)  # leave the memory to others
        finally:
            self._files.close(handle)

    def _pump(self, work: Work, handle: Handle) -> None:
        size, offset = work.job.size, 0
        while offset < size:
            window = self._room(size - offset)
            got = fill(self._files, handle, window, offset, size)
            if not got:
                raise SourceChangedError(work.job.source)
            self._parcel.pieces.append(Piece(work=work, data=window[:got], offset=offset))
            self._parcel.used += -(-got // PAGE_BYTES) * PAGE_BYTES
            offset += got
        if offset != size:
            raise SourceChangedError(work.job.source)

    def _room(self, wanted: int) -> memoryview:
        """A page-aligned stretch of a slot for the next bytes: the whole of one, or enough."""
        length = min(-(-wanted // PAGE_BYTES) * PAGE_BYTES, self._ring.size)
        if self._parcel.slot is not None and self._ring.size - self._parcel.used < length:
            self._flush()
        if self._parcel.slot is None:
            self._parcel.slot = self._ring.take()
        return self._parcel.slot.view[self._parcel.used : self._parcel.used + length]

    def _flush(self) -> None:
        parcel, self._parcel = self._parcel, Parcel()
        self._send(parcel)

    def _see(self, job: Job) -> None:
        """Remember the deepest folder that holds all sources so far."""
        folder = os.path.dirname(job.source)
        if folder == self._folder:
            return
        self._folder = folder
        self._root = folder if self._root is None else os.path.commonpath([self._root, folder])

    def _judge(self, job: Job, error: OSError) -> BackupkeeperError:
        """One bad file, or is the whole source gone?"""
        number = error.errno
        if number in SHORT:
            self._gone = SystemShortError(job.source, number)
            return self._gone
        self._broken = self._broken + 1 if number == errno.EIO else 0
        suspicious = number in {errno.EIO, errno.ENOENT, errno.ENOTDIR}
        if (
            number in GONE
            or self._broken >= BROKEN_IN_A_ROW
            or (suspicious and self._root_is_gone())
        ):
            self._gone = DriveGoneError("The source", job.source)
            return self._gone
        return read_failure(job.source, error)

    def _root_is_gone(self) -> bool:
        assert self._root is not None
        try:
            stat = self._files.stat(self._root)
            if self._device is not None and stat.device != self._device:
                return True
            next(iter(self._files.list(self._root)), None)
        except OSError:
            return True
        return False


def _compare(job: Job, stat: Stat) -> None:
    """A file other than listed has changed. With ``expect`` its bytes decide, not its time."""
    if stat.size != job.size:
        raise SourceChangedError(job.source)
    if job.expect is None and not same_time(stat.mtime_ns, job.mtime_ns):
        raise SourceChangedError(job.source)
