"""Bad readings of a drive, out of its facts: each once, on how many days, and whether many at once.

Promises:
1. Damage that is known and met again is not counted again, until the copy was mended.
2. What people did (edits, deletions) is no bad reading of the drive.
3. Days are those of UTC, and at least ``APART`` lies between two of them: one night is not two days.
   One more reading never makes fewer days.
"""

from collections import Counter, deque
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Final

from backupkeeper.core.harm import CAME_RIGHT, SUDDEN_FILES, SUDDEN_WITHIN, is_rot
from backupkeeper.core.model import Fact, Result, Way

APART: Final = timedelta(hours=12)
"""Readings closer than this are of one day, whatever the calendar says."""

BadReading = tuple[datetime, Result, str]
"""When, of which kind, and the path of the copy."""


def newly_bad(facts: Iterable[Fact]) -> tuple[BadReading, ...]:
    """Each time that a copy of one place went bad, in order of time.

    Damage that was known and is met again is left out, until the copy was proven or written anew.
    A reading that came right only the second time counts as unstable.

    Args:
        facts: of one place, in any order.
    """
    known: dict[str, set[Result]] = {}
    found = []
    for fact in sorted(facts, key=lambda fact: (fact.at, fact.path, fact.result)):
        if fact.result is Result.MATCHES:
            if fact.is_proof or fact.way is Way.WRITTEN:
                known.pop(fact.path, None)
            if fact.note == CAME_RIGHT:
                found.append((fact.at, Result.UNSTABLE, fact.path))
        elif is_rot(fact) and fact.result not in known.setdefault(fact.path, set()):
            known[fact.path].add(fact.result)
            found.append((fact.at, fact.result, fact.path))
    return tuple(found)


class Sightings:
    """The bad readings of one sort.

    Args:
        bad: all bad readings, in any order.
        kinds: those to look at.
    """

    def __init__(self, bad: Iterable[BadReading], kinds: Iterable[Result]) -> None:
        wanted = frozenset(kinds)
        found = sorted((at, path) for at, kind, path in bad if kind in wanted)
        self.times = [at for at, _ in found]
        self.files = len({path for _, path in found})
        self.days = _days(self.times)
        self.is_sudden = _is_sudden(found)
        """Whether so many files were bad within a day that the way to the drive is as suspect."""

    def __bool__(self) -> bool:
        return bool(self.times)

    @property
    def told(self) -> str:
        """When: ``on 2 days, the last on 2026-06-03``."""
        last = date(self.times[-1])
        return f"on {self.days} days, the last on {last}" if self.days > 1 else f"on {last}"

    def since(self, begin: datetime) -> int:
        """How many there were from that moment on."""
        return sum(begin <= at for at in self.times)


def date(at: datetime) -> str:
    """The day of a moment: ``2026-06-03``."""
    return at.astimezone(UTC).date().isoformat()


def _days(times: Iterable[datetime]) -> int:
    """How many days there are among times in order. Taking the earliest always finds the most."""
    days, last = 0, None
    for at in times:
        if last is None or (at - last >= APART and date(at) != date(last)):
            days, last = days + 1, at
    return days


def _is_sudden(found: Iterable[tuple[datetime, str]]) -> bool:
    """Whether there is a day (24 hours) in which that many files were bad; they come in order."""
    window: deque[tuple[datetime, str]] = deque()
    files: Counter[str] = Counter()
    for at, path in found:
        window.append((at, path))
        files[path] += 1
        while at - window[0][0] > SUDDEN_WITHIN:
            _, gone = window.popleft()
            files[gone] -= 1
            if not files[gone]:
                del files[gone]
        if len(files) >= SUDDEN_FILES:
            return True
    return False
