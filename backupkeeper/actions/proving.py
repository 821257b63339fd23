"""Reading one copy from its medium and saying, as a fact, what was found.

Promises:
1. All bytes are read once. What is not right is read again, block by block, once or twice, until it
   is known whether the medium or the way from it is wrong (``core.harm``).
2. A large file whose reading is broken off keeps what was right so far as a fact of its own
   (``part``), and the next reading goes on there as long as the file is the same.
3. Where another file of the footage lies in a copy's place it is missing there, not damaged: somebody moved
   it (``actions.known_bytes``).
"""

import errno
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.known_bytes import another_lies_there
from backupkeeper.actions.online import MARKER_PATH, OnlineDrive
from backupkeeper.core import harm
from backupkeeper.core.errors import (
    BackupkeeperError,
    DeviceError,
    DriveGoneError,
    MismatchError,
    OutOfReachError,
)
from backupkeeper.core.model import (
    BLOCK_BYTES,
    BLOCK_DIGEST_BYTES,
    Content,
    Fact,
    Result,
    RollFile,
    Way,
)
from backupkeeper.core.parts_read import part_note, resumable
from backupkeeper.core.ranges import merged
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.transfer.blocks import read_again
from backupkeeper.transfer.coldread import (
    ColdReader,
    ColdReading,
    SoFar,
    read_cold,
    wrong_blocks,
)

MISSING_NUMBERS = frozenset({errno.ENOENT, errno.ENOTDIR})
PART_FROM_BYTES: Final = 1 << 30
"""Of files as large as this a broken-off reading is kept."""
FEW: Final = 64
"""So many blocks that are not right are read again first; all of them where one came right then."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Known:
    """What is known of a copy before it is read.

    Args:
        mount: in which it was written, or last seen well.
        parts: facts about it, in which a broken-off reading may be that can be taken up.
    """

    mount: str | None = None
    parts: Sequence[Fact] = ()


NOTHING: Final = Known()


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    """One copy, and how it is read."""

    context: Context
    drive: OnlineDrive
    path: str
    file: RollFile
    content: Content
    known: Known
    fresh: bool
    progress: Progress
    is_over: Callable[[], bool]
    reader: ColdReader | None

    @property
    def absolute(self) -> str:
        return self.drive.absolute(self.path)

    def fact(self, *, result: Result, note: str = "", reading: ColdReading | None = None) -> Fact:
        return Fact(
            at=self.context.clock.now(),
            place=self.drive.place.id,
            path=self.path,
            content=self.file.content,
            way=Way.REHASH,
            result=result,
            cold=reading is not None and reading.cold,
            evidence=reading.evidence if reading is not None else "",
            mount=self.drive.info.mount.token,
            note=note,
        )


def prove_copy(
    context: Context,
    drive: OnlineDrive,
    path: str,
    file: RollFile,
    *,
    known: Known = NOTHING,
    progress: Progress | None = None,
    is_over: Callable[[], bool] = lambda: False,
    reader: ColdReader | None = None,
) -> tuple[Fact, ColdReading | None]:
    """Read a copy from the medium; read again what does not match.

    Args:
        context: the world.
        drive: where it is.
        path: of the copy, on the drive.
        file: what it must be.
        known: what is known of it.
        progress: told as it goes.
        is_over: ends the reading of a large file.
        reader: of this mount, for several copies of which none was written since it was made.

    Returns:
        The fact, and the reading (None where the file is not there, could not be opened, or was not
        read to its end: then the fact's way is ``part``).

    Raises:
        DriveGoneError: the whole drive is gone; nothing is said about the copy then.
        MountChangedError: something else is mounted there.
    """
    drive.guard()
    asked = _Asked(
        context=context,
        drive=drive,
        path=path,
        file=file,
        content=context.catalog.contents([file.content])[file.content],
        known=known,
        fresh=known.mount is not None and known.mount != drive.info.mount.token,
        progress=progress or Quiet(),
        is_over=is_over,
        reader=reader,
    )
    stands = _other_kind(context, drive, path)
    if stands:
        return asked.fact(result=Result.MISSING, note=f"A {stands} stands there."), None
    if not drive.holds(path):
        note = "Its folder leads off the drive, through a link or another mount."
        return asked.fact(result=Result.MISSING, note=note), None
    try:
        return _read(asked)
    except OutOfReachError:
        raise
    except DeviceError as error:
        must_be_alive(context, drive)  # gone as a whole? then it is no news about this one file
        missing = error.number in MISSING_NUMBERS
        result = Result.MISSING if missing else Result.UNREADABLE
        note = "" if missing else str(error)
        if error.number in {errno.EACCES, errno.EPERM}:
            note = harm.NO_RIGHT
        return asked.fact(result=result, note=note), None
    except MismatchError as error:
        return asked.fact(result=Result.UNREADABLE, note=str(error)), None


def _other_kind(context: Context, drive: OnlineDrive, path: str) -> str:
    """What stands there in the file's place: a folder, a link, a pipe; nothing is ""."""
    try:
        kind = context.files.stat(drive.absolute(path)).kind
    except OSError:
        return ""  # its reading will tell
    return "" if kind is EntryKind.FILE else kind.value


def _read(asked: _Asked) -> tuple[Fact, ColdReading | None]:
    if asked.file.size < PART_FROM_BYTES:
        reading = _reader(asked).read(asked.absolute, asked.progress.advance)
        return _judged(asked, reading)
    begun = resumable(
        asked.known.parts,
        asked.file.size,
        _mtime_ns(asked),
        asked.context.clock.now(),
        since=asked.drive.place.counts_from,
    )
    if begun is not None:
        asked.progress.advance(begun.damage[0][0])
        read = _read_large(asked, begun)
        if read is not None and (read[1] is None or read[0].result is Result.MATCHES):
            return read
        # What was found wrong is not thrown away: read it to its end now, whatever time it is. (How far
        # it is was told already, as far as this file goes.)
        asked = replace(asked, progress=Quiet(), is_over=lambda: False)
    read = _read_large(asked, None)
    assert read is not None
    return read


def _reader(asked: _Asked) -> ColdReader:
    if asked.reader is not None:
        return asked.reader
    return ColdReader(asked.context.files, asked.drive.cold, new_mount=asked.fresh)


def _mtime_ns(asked: _Asked) -> int:
    try:
        return asked.context.files.stat(asked.absolute).mtime_ns
    except OSError:
        return -1  # the reading will tell


def _read_large(asked: _Asked, begun: Fact | None) -> tuple[Fact, ColdReading | None] | None:
    """Read from the beginning, or from where ``begun`` ended; None where that is not right."""
    start = begun.damage[0][0] if begun is not None else 0
    at = begun.at if begun is not None else asked.context.clock.now()
    so_far = SoFar(start=start)
    reader = _reader(asked)
    try:
        reading = reader.read_on(
            asked.absolute,
            so_far,
            asked.progress.advance,
            # Once something is wrong it is read to its end: there is nothing to go on from.
            lambda: asked.is_over() and _part(asked, so_far, at) is not None,
        )
    except BackupkeeperError:
        raise
    except BaseException:  # stopped: by a person, or because the drive is wanted
        part = _part(asked, so_far, at)
        if part is not None:
            with suppress(BackupkeeperError):
                asked.context.catalog.record(facts=[part])
        raise
    if reading is None:
        part = _part(asked, so_far, at)
        return part or replace(asked.fact(result=Result.MATCHES), way=Way.PART), None
    if begun is None:
        return _judged(asked, reading)
    if not reading.cold or reading.unreadable or reading.size != asked.content.size:
        return None
    if reading.block_map != _map_from(asked.content, start):
        return None
    # Its beginning matched, block by block, when it was read: so this is what the whole hashes to.
    whole = replace(reading, xxh128=asked.content.xxh128, block_map=asked.content.block_map)
    note = "Read in parts."
    return replace(asked.fact(result=Result.MATCHES, note=note, reading=whole), at=at), whole


def _map_from(content: Content, start: int) -> bytes:
    return content.block_map[start // BLOCK_BYTES * BLOCK_DIGEST_BYTES :]


def _part(asked: _Asked, so_far: SoFar, at: datetime) -> Fact | None:
    """What is known of a file of which a beginning was read, cold and right."""
    whole = so_far.hasher.size // BLOCK_BYTES
    upto = so_far.start + whole * BLOCK_BYTES
    right = so_far.hasher.block_map[: whole * BLOCK_DIGEST_BYTES]
    wanted = _map_from(asked.content, so_far.start)[: whole * BLOCK_DIGEST_BYTES]
    if not whole or right != wanted or so_far.unreadable or not so_far.known.evidence:
        return None
    if so_far.size != asked.content.size:
        return None
    fact = asked.fact(result=Result.MATCHES, note=part_note(so_far.mtime_ns))
    return replace(
        fact,
        at=at,
        way=Way.PART,
        cold=True,
        evidence=so_far.known.evidence,
        damage=((upto, asked.content.size),),
    )


def _judged(asked: _Asked, reading: ColdReading) -> tuple[Fact, ColdReading]:
    """What a whole reading shows, after what is not right was read again."""
    fact = asked.fact(result=Result.MATCHES, reading=reading)
    other = another_lies_there(asked.context, asked.content, fact, reading)
    if other is not None:
        return other, reading
    found = _found(asked, reading)
    if found.result is Result.UNREADABLE:
        must_be_alive(asked.context, asked.drive)
    fact = asked.fact(result=found.result, note=found.note, reading=reading)
    return replace(fact, damage=found.damage), reading


def _found(asked: _Asked, reading: ColdReading) -> harm.Found:
    content = asked.content
    wrong = wrong_blocks(content, reading)
    read: dict[int, list[bytes | None]] = {block: [digest] for block, digest in wrong.items()}
    unreadable = [*reading.unreadable]

    def again(blocks: Sequence[int]) -> None:
        asked.drive.guard()
        made = read_again(asked.context.files, asked.absolute, asked.drive.cold, blocks)
        unreadable.extend(made.unreadable)
        for block, digest in made.by_block.items():
            read[block].append(digest)

    there = [block for block in wrong if block * BLOCK_BYTES < min(content.size, reading.size)]
    if there:
        few, rest = there[:FEW], there[FEW:]
        again(few)
        if rest and any(_came_right(content, block, read[block]) for block in few):
            again(rest)
        shaky = [
            block
            for block in there
            if len(read[block]) > 1
            and read[block][0] != read[block][1]
            and not _came_right(content, block, read[block])
        ]
        if shaky:
            again(shaky)
    return harm.found(
        content.block_map,
        content.size,
        asked.file.mtime_ns,
        harm.Standing(
            size=reading.size,
            mtime_ns=reading.mtime_ns,
            fs_type=asked.drive.info.mount.fs_type,
        ),
        read,
        merged(unreadable),
    )


def _came_right(content: Content, block: int, read: Sequence[bytes | None]) -> bool:
    at = block * BLOCK_DIGEST_BYTES
    return content.block_map[at : at + BLOCK_DIGEST_BYTES] in read


def must_be_alive(context: Context, drive: OnlineDrive) -> None:
    """A drive that can't even give its marker back from the medium is gone.

    Raises:
        DriveGoneError: so it is.
        MountChangedError: something else is there.
    """
    drive.guard()
    try:
        marker = read_cold(context.files, drive.absolute(MARKER_PATH), drive.cold)
    except DeviceError as error:
        raise DriveGoneError(drive.place.name, drive.root) from error
    if marker.unreadable:
        raise DriveGoneError(drive.place.name, drive.root)
