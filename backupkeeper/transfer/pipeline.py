"""One reading of every source, written to any number of destinations side by side.

Promises:
1. A source is read once; only a file whose sync failed, or that came back other than written, is
   read once more.
2. What is given out as ``Landed`` is durable under its final name and was read back; in the order
   of the jobs, but for files that had to be tried again, which come last.
3. Memory is constant: ``RING_SLOTS`` slots of ``SLOT_BYTES``, and a few buffers per destination.
4. One destination's failure ends that destination only; the slowest sets the pace.
5. When the work is stopped, everything under way is abandoned within a second or two; temporary
   files stay and are continued by the next run. Threads and handles do not outlive the iterator.

Threads: one reads (``transfer.source``), one hashes, one per destination writes and reads back
(``transfer.arrival``); the caller's own collects what is finished.

Example:
    for batch in copy_files(jobs, destinations, files=files, progress=progress):
        for copied in batch:
            record(copied.content, copied.places)
"""

import errno
import queue
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from backupkeeper.core.errors import BackupkeeperError, BrokenPromiseError, SystemShortError
from backupkeeper.core.model import BLOCK_BYTES, PlaceId
from backupkeeper.ports.files import Files
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.arrival import Again, Arrivals, Outcome
from backupkeeper.transfer.batches import (
    Batch,
    Copied,
    Destination,
    Job,
    Landed,
    Parcel,
    Piece,
    Work,
    batches,
)
from backupkeeper.transfer.hashing import Hasher
from backupkeeper.transfer.ring import AbandonedError, Ring
from backupkeeper.transfer.source import Source

__all__ = ["Copied", "Destination", "Job", "Landed", "copy_files"]

RING_SLOTS = 8
SLOT_BYTES = BLOCK_BYTES
LOOK_UP_S = 0.1
"""How often ``stop`` is asked while nothing happens."""
PATIENCE_S = 5.0
"""How long threads may take to end after a stop; a thread stuck in the system is left behind."""

_Queue = queue.SimpleQueue[Parcel | None]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Read:
    """The hasher has seen so many more bytes."""

    byte_count: int
    paths: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Settled:
    """One of the threads has done with a batch. ``by``: which destination; None: the hasher."""

    batch: Batch
    by: int | None = None
    outcomes: Sequence[Outcome] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class _Ended:
    """A thread has come to its end, by itself or by ``crash``."""

    crash: BaseException | None = None


_Event = _Read | _Settled | _Ended
Finished = tuple[Batch, list[Sequence[Outcome]]]


def _never() -> bool:
    return False


def copy_files(
    jobs: Iterable[Job],
    destinations: Sequence[Destination],
    *,
    files: Files,
    progress: Progress,
    digests: Sequence[str] = (),
    stop: Callable[[], bool] = _never,
) -> Iterator[list[Copied]]:
    """Bring every job's source to its targets; give out batches as they become durable.

    Args:
        jobs: what to copy; taken only as needed.
        destinations: every place that any job's ``targets`` names.
        files: the system.
        progress: told of files and bytes as they are read, and of files as they are done.
        digests: further digests to make (see ``hashing.FURTHER_DIGESTS``).
        stop: asked often; True ends the work early, without an error.

    Yields:
        Finished jobs. After a ``KeyboardInterrupt`` what is durable is still given out, then the
        interrupt goes on.

    Raises:
        UsageError: an unknown digest.
        BrokenPromiseError: a bug of ours; what was given out before still holds.
    """
    Hasher(digests)
    halted = threading.Event()
    arrivals = [Arrivals(files, destination, halted.is_set) for destination in destinations]
    again: list[tuple[Copied, dict[PlaceId, BackupkeeperError]]] = []
    tools = _Tools(files=files, progress=progress, digests=tuple(digests), stop=stop)

    first = _Run(tools, arrivals, halted)
    for batch, outcomes in first.finished(batches(jobs)):
        done = []
        for number, work in enumerate(batch.works):
            copied, retry = _sum_up(work, arrivals, [outcome[number] for outcome in outcomes])
            if retry:
                again.append((copied, retry))
            else:
                done.append(copied)
        progress.advance(0, files=len(done))
        if done:
            yield done
    if again and not stop():
        yield from _try_again(tools, arrivals, halted, again)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Tools:
    files: Files
    progress: Progress
    digests: tuple[str, ...]
    stop: Callable[[], bool]


def _sum_up(
    work: Work, arrivals: Sequence[Arrivals], outcomes: Sequence[Outcome]
) -> tuple[Copied, dict[PlaceId, BackupkeeperError]]:
    places: dict[PlaceId, Landed | BackupkeeperError] = {}
    retry: dict[PlaceId, BackupkeeperError] = {}
    for arrival, outcome in zip(arrivals, outcomes, strict=True):
        if isinstance(outcome, Again):
            retry[arrival.destination.place] = outcome.error
        elif outcome is not None:
            places[arrival.destination.place] = outcome
    copied = Copied(job=work.job, content=work.content, source_error=work.error, places=places)
    return copied, retry


def _try_again(
    tools: _Tools,
    arrivals: Sequence[Arrivals],
    halted: threading.Event,
    again: Sequence[tuple[Copied, dict[PlaceId, BackupkeeperError]]],
) -> Iterator[list[Copied]]:
    """Files that a destination wants once more, read once more and written only there."""
    for arrival in arrivals:
        arrival.last_chance()
    jobs = [
        Job(
            source=copied.job.source,
            size=copied.job.size,
            mtime_ns=copied.job.mtime_ns,
            targets={place: copied.job.targets[place] for place in wanted},
            expect=copied.content,
        )
        for copied, wanted in again
    ]
    # By the job itself: one source may be wanted under two names.
    before = {id(job): copied for job, (copied, _) in zip(jobs, again, strict=True)}
    for batch, outcomes in _Run(tools, arrivals, halted).finished(batches(jobs)):
        done = []
        for number, work in enumerate(batch.works):
            first = before[id(work.job)]
            second, _ = _sum_up(work, arrivals, [outcome[number] for outcome in outcomes])
            failed = {place: work.error for place in work.job.targets if work.error is not None}
            done.append(
                Copied(
                    job=first.job,
                    content=first.content,
                    source_error=None,
                    places={**first.places, **failed, **second.places},
                )
            )
        tools.progress.advance(0, files=len(done))
        yield done


class _Run:
    """The threads of one pass over some jobs."""

    def __init__(
        self, tools: _Tools, arrivals: Sequence[Arrivals], halted: threading.Event
    ) -> None:
        self._tools = tools
        self._arrivals = arrivals
        self._halted = halted
        self._ring = Ring(RING_SLOTS, SLOT_BYTES, halted.is_set)
        self._events: queue.SimpleQueue[_Event] = queue.SimpleQueue()
        self._to_hash: _Queue = queue.SimpleQueue()
        self._to_write: list[_Queue] = [queue.SimpleQueue() for _ in arrivals]
        self._running: list[threading.Thread] = []
        self._left = 0
        self._open: dict[Batch, dict[int | None, Sequence[Outcome]]] = {}
        self._crash: BaseException | None = None

    def finished(self, work: Iterator[Batch]) -> Iterator[Finished]:
        """Run; give out each batch with every destination's outcomes, in order."""
        self._start("read", lambda: self._read(work))
        self._start("hash", self._hash)
        for number in range(len(self._arrivals)):
            self._start(f"write {number}", partial(self._write, number))
        try:
            while self._left and self._crash is None and not self._tools.stop():
                try:
                    event = self._events.get(timeout=LOOK_UP_S)
                except queue.Empty:
                    continue
                if isinstance(event, _Ended):
                    self._left -= 1
                yield from self._digest(event)
            self._halt()
            yield from self._rest()
        except KeyboardInterrupt:
            self._halt()
            yield from self._rest()
            raise
        finally:
            self._halt()
        if self._crash is not None:
            raise self._crash

    def _rest(self) -> Iterator[Finished]:
        while not self._events.empty():
            yield from self._digest(self._events.get())

    def _digest(self, event: _Event) -> Iterator[Finished]:
        if isinstance(event, _Ended):
            self._crash = self._crash or event.crash
            return
        if isinstance(event, _Read):
            for path in event.paths:
                self._tools.progress.file(path)
            self._tools.progress.advance(event.byte_count)
            return
        done = self._open.setdefault(event.batch, {})
        done[event.by] = event.outcomes
        if len(done) == 1 + len(self._arrivals):
            del self._open[event.batch]
            yield event.batch, [done[number] for number in range(len(self._arrivals))]

    # Threads.

    def _start(self, name: str, body: Callable[[], None]) -> None:
        def run() -> None:
            crash: BaseException | None = None
            try:
                body()
            except AbandonedError:
                pass
            except (BackupkeeperError, KeyboardInterrupt) as error:
                crash = error
            except MemoryError:
                crash = SystemShortError("What was being copied", errno.ENOMEM)
            except Exception as error:  # noqa: BLE001 - a bug of ours; told where it is waited for
                crash = BrokenPromiseError(f"The pipeline failed in itself: {error!r}.")
                crash.__cause__ = error
            except BaseException as error:  # noqa: BLE001 - goes on in the thread that waits for it
                crash = error
            self._events.put(_Ended(crash=crash))

        thread = threading.Thread(target=run, name=name, daemon=True)
        self._running.append(thread)
        self._left += 1
        thread.start()

    def _halt(self) -> None:
        """End all threads; where all have come to their end by themselves nothing is stopped."""
        if not self._running:
            return
        if self._left:
            self._halted.set()
        self._to_hash.put(None)
        for to_write in self._to_write:
            to_write.put(None)
        self._ring.wake()
        for thread in self._running:
            thread.join(PATIENCE_S)
        self._running = []
        self._ring.close()

    def _read(self, work: Iterator[Batch]) -> None:
        Source(self._tools.files, self._ring, self._to_hash.put, self._pointless).run(work)
        self._to_hash.put(None)

    def _pointless(self) -> bool:
        return bool(self._arrivals) and all(arrival.ended is not None for arrival in self._arrivals)

    def _parcels(self, come: _Queue) -> Iterator[Parcel]:
        while (parcel := come.get()) is not None:
            if self._halted.is_set():
                raise AbandonedError
            yield parcel
        if self._halted.is_set():
            raise AbandonedError

    def _hash(self) -> None:
        for parcel in self._parcels(self._to_hash):
            begun = [piece.work.job.source for piece in parcel.pieces if not piece.offset]
            for piece in parcel.pieces:
                self._hash_piece(piece)
            if parcel.slot is not None:
                parcel.slot.lend(len(self._arrivals))
            for to_write in self._to_write:
                to_write.put(parcel)
            if not self._arrivals:
                parcel.release()
            self._events.put(
                _Read(
                    byte_count=sum(len(piece.data) for piece in parcel.pieces), paths=tuple(begun)
                )
            )
            if parcel.closes is not None:
                self._events.put(_Settled(batch=parcel.closes))
        for to_write in self._to_write:
            to_write.put(None)

    def _hash_piece(self, piece: Piece) -> None:
        work = piece.work
        if work.hasher is None:
            work.hasher = Hasher(self._tools.digests)
        work.hasher.update(piece.data)
        if piece.last:
            if work.error is None:
                work.content = work.hasher.content()
            work.hasher = None

    def _write(self, number: int) -> None:
        arrivals = self._arrivals[number]
        try:
            for parcel in self._parcels(self._to_write[number]):
                for piece in parcel.pieces:
                    if self._halted.is_set():
                        raise AbandonedError
                    arrivals.take(piece, SLOT_BYTES)
                parcel.release()
                if parcel.closes is not None:
                    outcomes = arrivals.settle(parcel.closes)
                    self._events.put(_Settled(batch=parcel.closes, by=number, outcomes=outcomes))
        finally:
            arrivals.abandon()
