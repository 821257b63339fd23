"""Files of rolls that a person moved or renamed on a drive: found again there, and known by their bytes.

Promises:
1. Nothing is a file of a roll but what was read now, as any copy is, and is its very bytes. Names, sizes and
   times only say what is worth reading.
2. Nothing is written to the drive, and nothing is said of what is not the one that was looked for; but where
   most of a roll lies, a file of its name that is not right is the roll's, and not right
   (``actions.moved_harm``).
3. A file that stands where it was is not looked for: a second one somewhere else is no move. Where something
   stands in its place that can't be it, that is read only where it may be another one that is looked for.
4. What lies in a system's trash is not found, nor anything through a link or another mount.
5. What was found is recorded as it is read, the new path and that the old one is empty in one step.
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from datetime import timedelta
from itertools import groupby
from typing import Final

from backupkeeper.actions.beliefs import Beliefs, entry_at, is_file
from backupkeeper.actions.context import Context
from backupkeeper.actions.missed import Missed, found_files, missed_files
from backupkeeper.actions.moved_harm import find_harmed
from backupkeeper.actions.moved_run import Again, Run, remember
from backupkeeper.actions.online import OnlineDrive, make_durable
from backupkeeper.actions.proving import must_be_alive
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError
from backupkeeper.core.model import Event, EventKind, Place, PlaceId, RollId
from backupkeeper.core.moves_told import lately, moved_notes
from backupkeeper.core.moving import (
    Found,
    Gone,
    Moved,
    from_detail,
    same_entry,
    whose,
    worth_reading,
)
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import ColdReading, read_cold


def find_moved(
    context: Context,
    drive: OnlineDrive,
    rolls: Iterable[RollId],
    progress: Progress,
    *,
    covers: Callable[[str], bool] = lambda _path: True,
    newly: bool = False,
    also: Collection[str] = (),
) -> Again:
    """Look for files of these rolls that a drive had and that are not where they were.

    Args:
        context: the world.
        drive: held by the caller.
        rolls: sealed rolls.
        progress: told of what is read, as it goes.
        covers: whether a file that was at this path is meant.
        newly: look for those only that were believed to be there till now.
        also: paths where something else may stand than is believed, whatever its entry says.

    Raises:
        OutOfReachError: the drive goes; what was found until then is recorded.
        SyncError: what was moved there could not be made durable.
    """
    beliefs = Beliefs(context, drive)
    missed = [one for one in missed_files(context, drive, rolls, beliefs) if covers(one.gone.path)]
    missed = [one for one in missed if one.stale or one.suspect or not newly]
    drive.guard()
    run = Run(context=context, drive=drive, beliefs=beliefs)
    if not missed:
        return run.outcome()
    try:
        left = _read_suspects(run, missed, progress)
        left = [one for one in left if one.suspect is None or _is_displaced(run, one)]
        if left:
            left = _read_all(run, left, also, progress)
        for one in find_harmed(run, left, progress):
            if one.owners <= run.settled:
                run.empty(one)  # it was known at two paths, and is found again
            elif one.known is not None:
                run.take(one, one.known, None)
            elif one.stale is not None:
                run.lost.append(one.stale)
        drive.guard()  # gone as a whole? then it is no news about any file
    finally:
        run.keep()
        again = run.outcome()
        remember(context, drive, again.moves)
    progress.end()
    return again


def _is_displaced(run: Run, one: Missed) -> bool:
    return (one.gone.path, one.gone.content) in run.displaced


LATELY: Final = timedelta(days=30)
"""So long a report tells of what was moved."""


def moved_lately(context: Context, places: Iterable[Place]) -> list[str]:
    """Sentences about what was found again at these places within the last weeks, newest first."""
    names = {place.id: place.name for place in places}
    since = context.clock.now() - LATELY
    events = [
        event
        for event in context.catalog.events([EventKind.FOUND_AGAIN], since=since)
        if event.subject in names
    ]

    def moves(run: Iterable[Event]) -> Iterator[Moved]:
        for event in run:
            one = from_detail(names[PlaceId(event.subject)], event.detail)
            if one is not None:
                yield one

    runs = groupby(reversed(events), key=lambda event: (event.at, event.subject))
    return moved_notes(lately([list(moves(run)) for _, run in runs]))


class _Left:
    """Those that are still looked for, by what they must be."""

    def __init__(self, context: Context, missed: Iterable[Missed]) -> None:
        self._by_gone = {id(one.gone): one for one in missed}
        names = {one.gone.content for one in self._by_gone.values()}
        self._contents = context.catalog.contents(names)
        self._sizes = Counter(one.gone.size for one in self._by_gone.values())
        self._alike: dict[tuple[int, str], list[Gone]] = {}
        for one in self._by_gone.values():
            content = self._contents[one.gone.content]
            self._alike.setdefault((content.size, content.xxh128), []).append(one.gone)

    def any_of(self, size: int) -> bool:
        """Whether one of this size is looked for."""
        return self._sizes[size] > 0

    def taken(self, found: Found, reading: ColdReading) -> Missed | None:
        """Which of them was read there; it is looked for no longer."""
        alike = self._alike.get((reading.size, reading.xxh128), [])
        same = [gone for gone in alike if self._is_it(gone, reading)]
        if not same:
            return None
        gone = whose(found, same)
        alike.remove(gone)
        self._sizes[gone.size] -= 1
        return self._by_gone.pop(id(gone))

    def rest(self) -> list[Missed]:
        """What was not found."""
        return list(self._by_gone.values())

    def _is_it(self, gone: Gone, reading: ColdReading) -> bool:
        content = self._contents[gone.content]
        return not reading.unreadable and reading.block_map == content.block_map


def _read_suspects(run: Run, missed: Sequence[Missed], progress: Progress) -> list[Missed]:
    """Read what stands in the place of others, and may be one of them; those not found are returned."""
    suspects: dict[str, Found] = {}
    for one in missed:
        entry = entry_at(run.context, run.drive, one.gone.path)
        if one.suspect is not None and is_file(entry):
            suspects[one.gone.path] = Found(
                path=one.gone.path, size=entry.size, mtime_ns=entry.mtime_ns
            )
    likely = same_entry((one.gone for one in missed), suspects.values())
    return _read(run, missed, likely, progress)


def _read_all(
    run: Run, missed: Sequence[Missed], also: Collection[str], progress: Progress
) -> list[Missed]:
    """Read whatever on the drive may be one of them; those that were not found are returned."""
    context, drive = run.context, run.drive
    sizes = frozenset(one.gone.size for one in missed)
    read = {path for path, _ in run.found}
    progress.begin(
        f"Looking for what was moved on {drive.place.name}", total_bytes=0, total_files=0
    )
    likely = worth_reading((one.gone for one in missed), found_files(context, drive, sizes))
    likely = [
        one
        for one in likely
        if drive.holds(one.path)
        and one.path not in read
        and (one.path in also or run.beliefs.is_other(one.path, one.size, one.mtime_ns))
    ]
    return _read(run, missed, likely, progress)


def _read(
    run: Run, missed: Sequence[Missed], likely: Sequence[Found], progress: Progress
) -> list[Missed]:
    context, drive = run.context, run.drive
    left = _Left(context, missed)
    if not likely:
        return left.rest()
    make_durable(context, drive)
    progress.begin(
        f"Reading what may have been moved on {drive.place.name}",
        total_bytes=sum(one.size for one in likely),
        total_files=len(likely),
    )
    for found in likely:
        if not left.any_of(found.size):
            progress.advance(found.size, files=1)
            continue
        progress.file(found.path)
        reading = _reading(context, drive, found.path, progress)
        one = left.taken(found, reading) if reading is not None else None
        if one is not None:
            run.take(one, found.path, reading)
        progress.advance(0, files=1)
    return left.rest()


def _reading(
    context: Context, drive: OnlineDrive, path: str, progress: Progress
) -> ColdReading | None:
    drive.guard()
    try:
        return read_cold(context.files, drive.absolute(path), drive.cold, on_bytes=progress.advance)
    except OutOfReachError:
        raise
    except BackupkeeperError:
        must_be_alive(context, drive)
        return None  # it can't be read, or is written to just now: nothing is known of it
