"""What one search for moved files found, recorded as it goes.

Promises:
1. A file that was read at a path is recorded there, and that it is not where it was, in one step.
2. Where one file was read, nobody goes on believing that another stands there.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from backupkeeper.actions.beliefs import Beliefs, entry_at
from backupkeeper.actions.context import Context
from backupkeeper.actions.missed import Missed, Owner
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.recording import record_seen
from backupkeeper.core.model import Blake3, Copy, Event, EventKind, Fact, Result, Way
from backupkeeper.core.moving import MOVED_AWAY, Gone, Moved, most_telling, to_detail, together
from backupkeeper.ports.files import EntryKind, Stat
from backupkeeper.transfer.coldread import ColdReading

FACTS_A_STEP = 200
BYTES_A_STEP = 1 << 30
"""So much is read between two recordings: what a kill or a power cut may cost."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Again:
    """What was found again. ``moves``: told together; ``found``: where, what was read there, and its bytes.

    ``not_cold``: why some of it could not be read from the medium. ``lost``: copies that are believed in,
    are not there, and were not found.
    """

    moves: tuple[Moved, ...] = ()
    found: Mapping[tuple[str, Blake3], int] = field(default_factory=dict)
    not_cold: str = ""
    lost: tuple[Copy, ...] = ()

    @property
    def read_bytes(self) -> int:
        """What was read and known again."""
        return sum(self.found.values())


@dataclass(kw_only=True)
class Run:
    """What was found so far."""

    context: Context
    drive: OnlineDrive
    beliefs: Beliefs
    moves: list[Moved] = field(default_factory=list)
    found: dict[tuple[str, Blake3], int] = field(default_factory=dict)
    lost: list[Copy] = field(default_factory=list)
    settled: set[Owner] = field(default_factory=set)
    displaced: set[tuple[str, Blake3]] = field(default_factory=set)
    """Paths, and what stood there until another file took its place."""
    not_cold: str = ""
    facts: list[Fact] = field(default_factory=list)
    unkept_bytes: int = 0

    def take(self, missed: Missed, path: str, reading: ColdReading | None) -> None:
        """It lies at this path: read there just now, or known from facts."""
        gone = missed.gone
        if reading is not None:
            self._read(gone, path, reading)
        if missed.suspect is None:
            self.empty(missed)
        self.settled |= missed.owners
        is_cold = reading is None or reading.cold
        if not is_cold and reading is not None:
            self.not_cold = reading.why_not_cold
        if gone.path != path:
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
        """It is not where it was any more."""
        self.settled |= missed.owners
        if missed.stale is not None:
            self.facts.append(self._emptied(missed.stale.path, missed.stale.content))

    def bad(self, missed: Missed, fact: Fact) -> None:
        """It lies where this fact says, and is not right there."""
        self.facts.append(fact)
        self.empty(missed)

    def keep(self) -> None:
        """Record what was found till now."""
        facts, self.facts, self.unkept_bytes = self.facts, [], 0
        if facts:
            record_seen(self.context, facts)

    def outcome(self) -> Again:
        """All of it, as a value."""
        return Again(
            moves=as_moves(self.context, self.drive, self.moves, (path for path, _ in self.found)),
            found=self.found,
            not_cold=self.not_cold,
            lost=tuple(self.lost),
        )

    def _read(self, gone: Gone, path: str, reading: ColdReading) -> None:
        self.facts.append(
            Fact(
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
        )
        self.found[path, gone.content] = gone.size
        for content in self.beliefs.at(path) - {gone.content}:
            self.facts.append(self._emptied(path, content))
            self.displaced.add((path, content))
        self.beliefs.now(path, gone.content)

    def _emptied(self, path: str, content: Blake3) -> Fact:
        return Fact(
            at=self.context.clock.now(),
            place=self.drive.place.id,
            path=path,
            content=content,
            way=Way.LOOKED,
            result=Result.MISSING,
            evidence="looked at",
            note=f"{MOVED_AWAY}not there any more",
        )


def as_moves(
    context: Context, drive: OnlineDrive, moves: Sequence[Moved], found: Iterable[str]
) -> tuple[Moved, ...]:
    """Moves of single files, all of them recorded, put together; ``found``: paths where they lie now."""
    new = frozenset([*found, *(one.now for one in moves)])

    def keeps(folder: str) -> bool:
        entry = entry_at(context, drive, folder)
        if not isinstance(entry, Stat) or entry.kind is not EntryKind.FOLDER:
            return False
        if not any(path.startswith(f"{folder}/") for path in new):
            return True  # it stands: what was in it was moved
        newest: dict[tuple[str, Blake3], Fact] = {}
        for fact in context.catalog.facts_at(drive.place.id, below=folder):
            known = newest.get((fact.path, fact.content))
            if fact.path not in new and (known is None or known.at <= fact.at):
                newest[fact.path, fact.content] = fact
        return any(fact.result is not Result.MISSING for fact in newest.values())

    return together(moves, keeps)


def remember(context: Context, drive: OnlineDrive, moves: Iterable[Moved]) -> None:
    """What a report will tell of it."""
    now, place = context.clock.now(), drive.place.id
    context.catalog.note(
        Event(at=now, kind=EventKind.FOUND_AGAIN, subject=place, detail=to_detail(one))
        for one in most_telling(moves)
    )
