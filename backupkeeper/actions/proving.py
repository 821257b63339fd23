"""Reading one copy from its medium and saying, as a fact, what was found."""

import errno
from dataclasses import replace

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import MARKER_PATH, OnlineDrive
from backupkeeper.core.errors import DeviceError, DriveGoneError, MismatchError, OutOfReachError
from backupkeeper.core.model import Content, Fact, Result, RollFile, Way
from backupkeeper.core.taking import same_time
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.transfer.coldread import ColdReading, damaged_ranges, read_cold

MISSING_NUMBERS = frozenset({errno.ENOENT, errno.ENOTDIR})


def prove_copy(
    context: Context,
    drive: OnlineDrive,
    path: str,
    file: RollFile,
    *,
    written_during: str | None = None,
    progress: Progress | None = None,
) -> tuple[Fact, ColdReading | None]:
    """Read a copy from the medium; read it once more if it does not match.

    Returns:
        The fact, and the reading (None where the file is not there or could not be opened).

    Raises:
        DriveGoneError: the whole drive is gone; nothing is said about the copy then.
        MountChangedError: something else is mounted there.
    """
    drive.guard()
    if not drive.holds(path):
        note = "Its folder leads off the drive, through a link or another mount."
        return _fact(context, drive, path, file, result=Result.MISSING, note=note), None
    content = context.catalog.contents([file.content])[file.content]
    fresh = written_during is not None and written_during != drive.info.mount.token
    try:
        reading = _read(context, drive, path, fresh=fresh, progress=progress or Quiet())
        note = ""
        if not _matches(reading, content):
            drive.guard()
            first, reading = reading, _read(context, drive, path, fresh=fresh, progress=Quiet())
            note = _about_two(first, reading, content)
    except OutOfReachError:
        raise
    except DeviceError as error:
        _must_be_alive(context, drive)  # gone as a whole? then it is no news about this one file
        missing = error.number in MISSING_NUMBERS
        result = Result.MISSING if missing else Result.UNREADABLE
        note = "" if missing else str(error)
        return _fact(context, drive, path, file, result=result, note=note), None
    except MismatchError as error:
        fact = _fact(context, drive, path, file, result=Result.UNREADABLE, note=str(error))
        return fact, None
    result = _kind_of(reading, file, content)
    if result is Result.UNREADABLE:
        _must_be_alive(context, drive)
    fact = _fact(context, drive, path, file, result=result, note=note, reading=reading)
    if result is not Result.MATCHES:
        fact = replace(fact, damage=damaged_ranges(content, reading))
    return fact, reading


def _must_be_alive(context: Context, drive: OnlineDrive) -> None:
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


def _read(
    context: Context, drive: OnlineDrive, path: str, *, fresh: bool, progress: Progress
) -> ColdReading:
    return read_cold(
        context.files,
        drive.absolute(path),
        drive.cold,
        new_mount=fresh,
        on_bytes=progress.advance,
    )


def _matches(reading: ColdReading, content: Content) -> bool:
    return (
        not reading.unreadable
        and reading.size == content.size
        and reading.xxh128 == content.xxh128
        and reading.block_map == content.block_map
    )


def _about_two(first: ColdReading, second: ColdReading, content: Content) -> str:
    if _matches(second, content):
        return (
            "The first reading was wrong and the second right: suspect the cable, the port or the "
            "memory before the drive."
        )
    return "" if first.block_map == second.block_map else "Two readings differed from each other."


def _kind_of(reading: ColdReading, file: RollFile, content: Content) -> Result:
    if _matches(reading, content):
        return Result.MATCHES
    if reading.unreadable:
        return Result.UNREADABLE
    if reading.size != content.size or not same_time(reading.mtime_ns, file.mtime_ns):
        return Result.CHANGED
    return Result.DAMAGED


def _fact(
    context: Context,
    drive: OnlineDrive,
    path: str,
    file: RollFile,
    *,
    result: Result,
    note: str,
    reading: ColdReading | None = None,
) -> Fact:
    return Fact(
        at=context.clock.now(),
        place=drive.place.id,
        path=path,
        content=file.content,
        way=Way.REHASH,
        result=result,
        cold=reading is not None and reading.cold,
        evidence=reading.evidence if reading is not None else "",
        mount=drive.info.mount.token,
        note=note,
    )
