"""Files of rolls that a person moved or renamed on a drive: found again there, and known by their bytes.

Promises:
1. Nothing is a file of a roll but what was read now, as any copy is, and is its very bytes. Names, sizes and
   times only say what is worth reading.
2. Nothing is written to the drive, and nothing is said of what is not the one that was looked for.
3. A file that stands where it was is not looked for: a second one somewhere else is no move.
4. What lies in a system's trash is not found, nor anything through a link or another mount.
5. What was found is recorded as it is read, the new path and that the old one is empty in one step.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.missed import Missed, Owner, found_files, is_unknown, missed_files
from backupkeeper.actions.online import OnlineDrive, make_durable
from backupkeeper.actions.proving import must_be_alive
from backupkeeper.actions.recording import record_seen
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError
from backupkeeper.core.model import (
    Copy,
    Event,
    EventKind,
    Fact,
    Place,
    PlaceId,
    Result,
    RollId,
    Way,
)
from backupkeeper.core.moving import (
    Found,
    Gone,
    Moved,
    from_detail,
    most_telling,
    moved_notes,
    to_detail,
    together,
    whose,
    worth_reading,
)
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import ColdReading, read_cold

FACTS_A_STEP = 200
BYTES_A_STEP = 1 << 30
"""So much is read between two recordings: what a kill or a power cut may cost."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Again:
    """What was found again. ``moves``: told together; ``paths``: where the files are now.

    ``not_cold``: why some of it could not be read from the medium. ``lost``: copies that are believed in,
    are not there, and were not found.
    """

    moves: tuple[Moved, ...] = ()
    paths: frozenset[str] = frozenset()
    size_bytes: int = 0
    not_cold: str = ""
    lost: tuple[Copy, ...] = ()


@dataclass(kw_only=True)
class _Run:
    context: Context
    drive: OnlineDrive
    moves: list[Moved] = field(default_factory=list)
    paths: set[str] = field(default_factory=set)
    lost: list[Copy] = field(default_factory=list)
    settled: set[Owner] = field(default_factory=set)
    not_cold: str = ""
    facts: list[Fact] = field(default_factory=list)
    unkept_bytes: int = 0

    def take(self, missed: Missed, path: str, reading: ColdReading | None) -> None:
        """It lies at this path: read there just now, or known from facts."""
        gone = missed.gone
        if reading is not None:
            self.facts.append(self._fact(gone, path, reading))
            self.paths.add(path)
        self.empty(missed)
        is_cold = reading is None or reading.cold
        if not is_cold and reading is not None:
            self.not_cold = reading.why_not_cold
        self.moves.append(
            Moved(
                place=self.drive.place.name,
                was=gone.path,
                now=path,
                files=1,
                size_bytes=gone.size,
                not_cold=0 if is_cold else 1,
            )
        )
        self.unkept_bytes += gone.size
        if len(self.facts) >= FACTS_A_STEP or self.unkept_bytes >= BYTES_A_STEP:
            self.keep()

    def empty(self, missed: Missed) -> None:
        """Nothing is where it was any more."""
        self.settled |= missed.owners
        if missed.stale is not None:
            self.facts.append(self._emptied(missed.stale))

    def keep(self) -> None:
        """Record what was found till now."""
        facts, self.facts, self.unkept_bytes = self.facts, [], 0
        if facts:
            record_seen(self.context, facts)

    def remember(self) -> None:
        """What a report will tell of it."""
        now, place = self.context.clock.now(), self.drive.place.id
        self.context.catalog.note(
            Event(at=now, kind=EventKind.FOUND_AGAIN, subject=place, detail=to_detail(one))
            for one in most_telling(together(self.moves, self._stands))
        )

    def _fact(self, gone: Gone, path: str, reading: ColdReading) -> Fact:
        return Fact(
            at=self.context.clock.now(),
            place=self.drive.place.id,
            path=path,
            content=gone.content,
            way=Way.REHASH,
            result=Result.MATCHES,
            cold=reading.cold,
            evidence=reading.evidence,
            mount=self.drive.info.mount.token,
        )

    def _emptied(self, copy: Copy) -> Fact:
        return Fact(
            at=self.context.clock.now(),
            place=copy.place,
            path=copy.path,
            content=copy.content,
            way=Way.LOOKED,
            result=Result.MISSING,
            evidence="looked at",
            note="moved: found again on this drive",
        )

    def _stands(self, folder: str) -> bool:
        try:
            stat = self.context.files.stat(self.drive.absolute(folder))
        except OSError:
            return False
        return stat.kind is EntryKind.FOLDER

    def outcome(self) -> Again:
        """All of it, as a value."""
        return Again(
            moves=together(self.moves, self._stands),
            paths=frozenset(self.paths),
            size_bytes=sum(one.size_bytes for one in self.moves if one.now in self.paths),
            not_cold=self.not_cold,
            lost=tuple(self.lost),
        )


def find_moved(
    context: Context,
    drive: OnlineDrive,
    rolls: Iterable[RollId],
    progress: Progress,
    *,
    covers: Callable[[str], bool] = lambda _path: True,
    newly: bool = False,
) -> Again:
    """Look for files of these rolls that a drive had and that are not where they were.

    Args:
        context: the world.
        drive: held by the caller.
        rolls: sealed rolls.
        progress: told of what is read, as it goes.
        covers: whether a file that was at this path is meant.
        newly: look for those only that were believed to be there till now.

    Raises:
        OutOfReachError: the drive goes; what was found until then is recorded.
        SyncError: what was moved there could not be made durable.
    """
    missed = [one for one in missed_files(context, drive, rolls) if covers(one.gone.path)]
    missed = [one for one in missed if one.stale is not None or not newly]
    drive.guard()
    run = _Run(context=context, drive=drive)
    if not missed:
        return run.outcome()
    try:
        left = _read_all(run, missed, progress)
        for one in left:
            if one.owners <= run.settled:
                run.empty(one)  # it was known at two paths, and is found again
            elif one.known is not None:
                run.take(one, one.known, None)
            elif one.stale is not None:
                run.lost.append(one.stale)
        drive.guard()  # gone as a whole? then it is no news about any file
    finally:
        run.keep()
        run.remember()
    progress.end()
    return run.outcome()


LATELY: Final = timedelta(days=30)
"""So long a report tells of what was moved."""


def moved_lately(context: Context, places: Iterable[Place]) -> list[str]:
    """Sentences about what was found again at these places within the last weeks, newest first."""
    names = {place.id: place.name for place in places}
    since = context.clock.now() - LATELY
    events = context.catalog.events([EventKind.FOUND_AGAIN], since=since)
    found = [
        from_detail(names[PlaceId(event.subject)], event.detail)
        for event in events
        if event.subject in names
    ]
    return moved_notes([one for one in reversed(found) if one is not None])


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


def _read_all(run: _Run, missed: Sequence[Missed], progress: Progress) -> list[Missed]:
    """Read what may be one of them; those that were not found are returned."""
    context, drive = run.context, run.drive
    sizes = frozenset(one.gone.size for one in missed)
    name = drive.place.name
    progress.begin(f"Looking for what was moved on {name}", total_bytes=0, total_files=0)
    likely = worth_reading((one.gone for one in missed), found_files(context, drive, sizes))
    likely = [
        one for one in likely if drive.holds(one.path) and is_unknown(context, drive, one.path)
    ]
    left = _Left(context, missed)
    if not likely:
        return left.rest()
    make_durable(context, drive)
    progress.begin(
        f"Reading what may have been moved on {name}",
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
