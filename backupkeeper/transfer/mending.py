"""A damaged file made whole again beside itself, block by block, from whoever has each block right.

Promises:
1. Every block is compared with the block map before it is written; what no giver has right is told,
   and then nothing takes the file's place.
2. The result is on the medium and was read back from there, XXH3-128 and BLAKE3 of the whole, before
   it may take the name.
3. Each giver is asked for a block only where those before it did not have it right. Where none has
   it right by itself two of them may have it together, sector by sector (``transfer.piecing``).
"""

import errno
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Final, Protocol

import xxhash

from backupkeeper.core.errors import (
    ReadBackError,
    ReadError,
    SourceChangedError,
    SyncError,
)
from backupkeeper.core.model import BLOCK_BYTES, BLOCK_DIGEST_BYTES, Content
from backupkeeper.core.ranges import Ranges, differing, merged, ranges_of
from backupkeeper.ports.files import Files, Stat
from backupkeeper.transfer.blocks import Blocks, opened_blocks
from backupkeeper.transfer.coldpolicy import ColdPolicy
from backupkeeper.transfer.coldread import ColdReader, ColdReading, SoFar
from backupkeeper.transfer.durable import (
    Guard,
    TempFile,
    discard,
    told_as_ours,
)
from backupkeeper.transfer.hashing import Hasher
from backupkeeper.transfer.piecing import pieced
from backupkeeper.transfer.ring import new_buffer

NOT_RESERVABLE: Final = frozenset({errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL})


class Giver(Protocol):
    """Another copy."""

    def block(self, number: int) -> memoryview | None:
        """All bytes of a block, unchecked, good until the next call; None where they can't be had."""
        ...

    def part(self, number: int) -> memoryview | None:
        """The same with zeros for what can't be had of it."""
        ...


def is_right(content: Content, number: int, data: memoryview) -> bool:
    """Whether these are all bytes of a block, as the block map wants them."""
    at = number * BLOCK_DIGEST_BYTES
    wanted = min(BLOCK_BYTES, content.size - number * BLOCK_BYTES)
    right = content.block_map[at : at + BLOCK_DIGEST_BYTES]
    return len(data) == wanted and xxhash.xxh3_128_digest(data) == right


@dataclass(kw_only=True, slots=True)
class Made:
    """What came of making a file whole.

    Args:
        own: how many blocks of the damaged file were right.
        taken: blocks that each giver gave, by its number among them.
        wrong: blocks that it had wrong, or could not give, likewise.
        pieced: blocks that were put together from several copies, each wrong by itself.
        damage: where the damaged file differs from what it must be, to the byte; whole blocks where
            no right one could be had; what it has too much.
        unreadable: those of these bytes that the device would not give.
        lost: blocks that nobody has right, as byte ranges.
        reading: the new file, read back from the medium.
        before: the damaged file's entry, before it was read.
    """

    own: int = 0
    taken: dict[int, list[int]] = field(default_factory=dict)
    wrong: dict[int, list[int]] = field(default_factory=dict)
    pieced: list[int] = field(default_factory=list)
    damage: Ranges = ()
    unreadable: Ranges = ()
    lost: Ranges = ()
    reading: ColdReading | None = None
    before: Stat | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Patient:
    """The file to be mended. ``path`` is absolute; ``mtime_ns`` the time that it must have."""

    path: str
    content: Content
    mtime_ns: int
    cold: ColdPolicy


class Mending:
    """One file made whole.

    Args:
        files: the system.
        patient: which, and what it must be.
        givers: other copies, those to ask first.
        guard: raises if the drive is not the one that was identified any more.
        on_bytes: told how many bytes were gone through, as it goes.
    """

    def __init__(
        self,
        files: Files,
        patient: Patient,
        givers: Sequence[Giver],
        guard: Guard,
        on_bytes: Callable[[int], None],
    ) -> None:
        self._files = files
        self._patient = patient
        self._givers = givers
        self._guard = guard
        self._on_bytes = on_bytes
        self._made = Made()
        self._damage: list[tuple[int, int]] = []
        self._lost: list[int] = []

    def survey(self, blocks: Iterable[int]) -> Made:
        """Go through some blocks without writing anything: what is hurt, and who has it right.

        Raises:
            ReadError: the damaged file can't be opened.
            DriveGoneError: its drive is gone.
        """
        with opened_blocks(self._files, self._patient.path, self._patient.cold) as own:
            for number in blocks:
                self._right_block(number, own)
            self._close(own)
        return self._made

    def make(self) -> Made:
        """Write the whole file under its temporary name, and read it back.

        Where a block is lost the rest is gone through all the same, to say what is lost; the
        temporary file is removed then, and ``reading`` is None.

        Raises:
            ReadBackError: what came back from the medium is not what was written.
            SyncError, WriteError, NoSpaceError, ReadOnlyError: the drive does not take it.
            DriveGoneError, MountChangedError: it is not there any more.
        """
        path, content = self._patient.path, self._patient.content
        self._guard()
        with told_as_ours(path):
            self._made.before = self._files.stat(path)
            temp = TempFile(self._files, path)
        try:
            with self._opened() as own:
                self._write(temp, own)
                self._close(own)
            with told_as_ours(path):
                temp.cut(content.size)
            with told_as_ours(path, syncing=True):
                self._files.sync(temp.handle)
        except BaseException as error:
            with suppress(OSError):
                temp.close()
            if isinstance(error, SyncError):
                discard(self._files, temp.path)  # what is left of it is worth nothing
            raise
        with told_as_ours(path):
            temp.close()
        if self._lost:
            discard(self._files, temp.path)
        else:
            self._made.reading = self._read_back(temp.path)
        return self._made

    @contextmanager
    def _opened(self) -> Iterator[Blocks | None]:
        """The damaged file; None where the device does not even let it be opened."""
        with ExitStack() as stack:
            own: Blocks | None = None
            with suppress(ReadError):
                own = stack.enter_context(
                    opened_blocks(self._files, self._patient.path, self._patient.cold)
                )
            yield own

    def _write(self, temp: TempFile, own: Blocks | None) -> None:
        path, content = self._patient.path, self._patient.content
        scratch = new_buffer(BLOCK_BYTES)
        with told_as_ours(path):
            self._reserve(temp)
        for number in range(-(-content.size // BLOCK_BYTES)):
            data = self._right_block(number, own)
            if data is not None and not self._lost:
                with told_as_ours(path):
                    temp.put(data, number * BLOCK_BYTES, scratch)
            self._on_bytes(min(BLOCK_BYTES, content.size - number * BLOCK_BYTES))

    def _reserve(self, temp: TempFile) -> None:
        try:
            self._files.reserve(temp.handle, self._patient.content.size)
        except OSError as error:
            if error.errno not in NOT_RESERVABLE:
                raise

    def _right_block(self, number: int, own: Blocks | None) -> memoryview | None:
        """A block with the right bytes; what is not right about the damaged file's is noted."""
        content, start = self._patient.content, number * BLOCK_BYTES
        wanted = min(BLOCK_BYTES, content.size - start)
        mine = self._mine(own, number)[:wanted]
        if own is not None and is_right(content, number, mine) and own.gives(number):
            self._made.own += 1
            return mine
        for which, giver in enumerate(self._givers):
            data = giver.block(number)
            if data is not None and is_right(content, number, data):
                self._made.taken.setdefault(which, []).append(number)
                self._damage += [(start + a, start + b) for a, b in differing(data, mine)]
                return data
            self._made.wrong.setdefault(which, []).append(number)
        data = self._pieced(number, bytes(mine), wanted)
        if data is None:
            self._lost.append(number)
            self._damage += ranges_of([number], content.size)
            return None
        self._made.pieced.append(number)
        self._damage += [(start + a, start + b) for a, b in differing(data, mine)]
        return data

    def _pieced(self, number: int, mine: bytes, wanted: int) -> memoryview | None:
        """The block out of what this file and the others have of it, each wrong by itself."""
        others = (giver.part(number) for giver in self._givers)
        found = [mine, *(bytes(data) for data in others if data is not None)]
        versions = [one[:wanted].ljust(wanted, b"\0") for one in found if one]
        made = pieced(versions, partial(is_right, self._patient.content, number))
        return memoryview(made) if made is not None else None

    def _mine(self, own: Blocks | None, number: int) -> memoryview:
        try:
            return own.read(number) if own is not None else memoryview(b"")
        except ReadError:  # the device gives nothing at all just there
            self._damage += ranges_of([number], self._patient.content.size)
            return memoryview(b"")

    def _close(self, own: Blocks | None) -> None:
        size = self._patient.content.size
        if own is None:
            self._made.damage = self._made.unreadable = ((0, size),)
            self._made.lost = ranges_of(self._lost, size)
            return
        extra = [(size, own.size)] if own.size > size else []
        self._made.unreadable = own.unreadable
        self._made.damage = merged([*self._damage, *own.unreadable, *extra])
        self._made.lost = ranges_of(self._lost, size)

    def _read_back(self, temp: str) -> ColdReading:
        content = self._patient.content
        hasher = Hasher()
        so_far = SoFar(hasher=hasher)
        reader = ColdReader(self._files, self._patient.cold)
        reading = None
        with suppress(SourceChangedError):
            reading = reader.read_on(temp, so_far, lambda _: None, lambda: False)
        found = hasher.content()
        if (
            reading is None
            or reading.unreadable
            or (found.size, found.xxh128, found.blake3, found.block_map)
            != (content.size, content.xxh128, content.blake3, content.block_map)
        ):
            discard(self._files, temp)
            raise ReadBackError(self._patient.path)
        return reading
