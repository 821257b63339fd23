"""What a running ``verify`` has found so far."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import TypeVar

from backupkeeper.core.clip_harm import ClipHarm
from backupkeeper.core.harm import CAME_RIGHT
from backupkeeper.core.model import Blake3, Fact, Result, RollFile, RollId
from backupkeeper.core.moving import Moved, is_displaced
from backupkeeper.core.outcomes import Checked, Finding, Trouble, VerifyOutcome

_T = TypeVar("_T")

FINDINGS = {result: Finding(result.value) for result in Result}


@dataclass(frozen=True, kw_only=True, slots=True)
class Displaced:
    """A roll's file in whose place another known one lies, and the fact that says so."""

    roll: RollId
    file: RollFile
    fact: Fact


@dataclass(kw_only=True)
class VerifyRun:
    """What was found so far."""

    matching_files: int = 0
    matching_bytes: int = 0
    not_cold: dict[str, str] = field(default_factory=dict)
    checked: list[Checked] = field(default_factory=list)
    manifests: list[str] = field(default_factory=list)
    manifest_faults: list[Trouble] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    begun_files: int = 0
    read_bytes: int = 0
    reads_on: bool = False
    """Whether reading goes on where a drive as a whole is in doubt."""
    moved: list[Moved] = field(default_factory=list)
    found: set[tuple[str, str, Blake3]] = field(default_factory=set)
    """Places, paths, and what was read there, of what was moved: each is counted once."""
    named: set[tuple[str, str]] = field(default_factory=set)
    """Places and folders in which what is unknown was named."""
    displaced: list["Displaced"] = field(default_factory=list)
    """Files in whose place another one was read: whether they were moved is asked at the end."""
    results: dict[str, list[Result]] = field(default_factory=dict)
    """What was read at each place, by its name, in this order."""
    doubted: set[str] = field(default_factory=set)
    """Places that are in doubt as a whole: reading them was stopped."""

    def add(self, place: str, fact: Fact, size: int, clip: ClipHarm | None = None) -> None:
        """Count a match, list anything else."""
        if fact.result is Result.MATCHES:
            self.matching_files += 1
            self.matching_bytes += size
            if fact.note != CAME_RIGHT:
                return
        self.checked.append(
            Checked(
                place=place,
                path=fact.path,
                finding=FINDINGS[fact.result],
                size=size,
                cold=fact.cold,
                evidence=fact.evidence,
                damage=fact.damage,
                note=fact.note,
                clip=clip,
            )
        )

    def take(
        self, place: str, roll: RollId, file: RollFile, fact: Fact, clip: ClipHarm | None
    ) -> None:
        """The same of a roll's file; where another one lies in its place that waits till the end."""
        if is_displaced(fact):
            self.displaced.append(Displaced(roll=roll, file=file, fact=fact))
        else:
            self.add(place, fact, file.size, clip)

    def count_found(self, place: str, path: str, content: Blake3, size: int) -> None:
        """It was read there, is right, and was moved there."""
        if (place, path, content) not in self.found:
            self.found.add((place, path, content))
            self.matching_files += 1
            self.matching_bytes += size

    def outcome(self, what: str, seconds: float) -> VerifyOutcome:
        """All of it, as a value. ``what``: what was to be read."""
        return VerifyOutcome(
            what=what,
            matching_files=self.matching_files,
            matching_bytes=self.matching_bytes,
            not_cold=self.not_cold,
            checked=tuple(self.checked),
            manifests=tuple(self.manifests),
            manifest_faults=tuple(self.manifest_faults),
            troubles=tuple(self.troubles),
            skipped=tuple(self.skipped),
            seconds=seconds,
            begun_files=self.begun_files,
            read_bytes=self.read_bytes,
            moved=tuple(self.moved),
        )


def until(things: Iterable[_T], is_over: Callable[[], bool]) -> Iterator[_T]:
    """The first of these, and further ones as long as it is not over."""
    for number, thing in enumerate(things):
        if number and is_over():
            return
        yield thing
