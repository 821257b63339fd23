"""What the pipeline is given and gives back, and how jobs are grouped.

Promises:
1. A file of ``LARGE_BYTES`` or more is a batch of its own; smaller ones share batches of at most
   ``BATCH_BYTES`` and ``BATCH_FILES``. Order is kept.
2. Jobs are taken from their iterable only as they are needed.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from backupkeeper.core.errors import BackupkeeperError, MismatchError
from backupkeeper.core.model import Content, PlaceId
from backupkeeper.transfer.coldpolicy import ColdPolicy
from backupkeeper.transfer.hashing import Hasher
from backupkeeper.transfer.ring import Slot

LARGE_BYTES = 32 * 1024 * 1024
BATCH_BYTES = 64 * 1024 * 1024
BATCH_FILES = 500


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """One file to be read once and written to any number of places.

    ``source`` is absolute; ``size`` and ``mtime_ns`` as listed (the copies get this time).
    ``targets`` are absolute final paths (none: the source is only read and hashed). With ``expect``
    nothing is sealed unless the source holds exactly that content; with ``refuse`` nothing of which it
    gives a reason (it is asked in several threads).
    """

    source: str
    size: int
    mtime_ns: int
    targets: Mapping[PlaceId, str]
    expect: Content | None = None
    refuse: Callable[[Content], str | None] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Destination:
    """A place to write to.

    ``root`` is its mount's root (folders below it are made as needed); ``guard`` raises
    ``DriveGoneError`` or ``MountChangedError`` if the drive is not the one that was identified.
    """

    place: PlaceId
    root: str
    cold: ColdPolicy
    guard: Callable[[], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Landed:
    """A copy has its final name, is durable, and all its bytes were read back and matched.

    It is a proof only where ``cold``; ``why_not_cold`` says what would make it one.
    """

    cold: bool
    evidence: str
    why_not_cold: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Copied:
    """What came of one job. Without ``content`` there is a ``source_error``.

    ``content`` is what the source holds, also where it is not what was expected.
    """

    job: Job
    content: Content | None
    source_error: BackupkeeperError | None
    places: Mapping[PlaceId, Landed | BackupkeeperError]


@dataclass(kw_only=True, slots=True, eq=False)
class Work:
    """One job on its way: the reader fills in ``error``, the hasher ``content``."""

    job: Job
    hasher: Hasher | None = None
    content: Content | None = None
    error: BackupkeeperError | None = None

    @property
    def is_large(self) -> bool:
        """Whether it is a batch of its own."""
        return self.job.size >= LARGE_BYTES

    def failure(self) -> BackupkeeperError | None:
        """Why no copy of this may be sealed. Asked after the last piece was hashed."""
        if self.error is not None:
            return self.error
        assert self.content is not None
        if self.job.expect is not None and not same_content(self.job.expect, self.content):
            return MismatchError(
                f"{self.job.source} holds other bytes than it must; no copy of it was made."
            )
        why = self.job.refuse(self.content) if self.job.refuse is not None else None
        return MismatchError(f"{self.job.source}: {why}") if why else None


def same_content(one: Content, other: Content) -> bool:
    """Whether two contents are the same by every digest that both always have."""
    return (
        one.size == other.size
        and one.blake3 == other.blake3
        and one.xxh128 == other.xxh128
        and one.block_map == other.block_map
    )


@dataclass(kw_only=True, slots=True)
class Piece:
    """Bytes of one file in a slot. ``last`` also ends a file that could not be read."""

    work: Work
    data: memoryview
    offset: int
    last: bool = False


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Batch:
    """Works that become durable together."""

    works: tuple[Work, ...]


@dataclass(kw_only=True, slots=True)
class Parcel:
    """What goes from thread to thread: one slot, the pieces in it, the batch that ends with it."""

    slot: Slot | None = None
    used: int = 0
    pieces: list[Piece] = field(default_factory=list)
    closes: Batch | None = None

    def release(self) -> None:
        """One user has done with it."""
        if self.slot is not None:
            self.slot.release()


def batches(jobs: Iterable[Job]) -> Iterator[Batch]:
    """Group jobs, in order."""
    works: list[Work] = []
    size = 0
    for job in jobs:
        work = Work(job=job)
        full = len(works) >= BATCH_FILES or size + job.size > BATCH_BYTES
        if works and (full or work.is_large):
            yield Batch(works=tuple(works))
            works, size = [], 0
        if work.is_large:
            yield Batch(works=(work,))
            continue
        works.append(work)
        size += job.size
    if works:
        yield Batch(works=tuple(works))
