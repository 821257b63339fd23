"""A drive that is here on some nights, and what is read of it, said without the schedule's own sums.

Time is in whole days; a copy is one unit of bytes, so that a night's budget ends where it should.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import accumulate

from backupkeeper.core.scrub import Habits, Load, rest_of, young_until

DAY: timedelta = timedelta(days=1)
START: datetime = datetime(2026, 6, 12, 2, tzinfo=UTC)
NIGHT: timedelta = timedelta(hours=1)
NIGHT_S: float = NIGHT.total_seconds()
WINDOW = 90
"""So many nights back are looked at for habits."""

Cutoff = Callable[["Drive", int], float]
"""Of a drive on a day: the day of which proofs, and older ones, are to be made again."""


def evenly(count: int, *, day: float = 0.0, over: float = 0.5) -> list[float]:
    """Times of so many proofs, made one after the other from that day on."""
    return [day + over * index / count for index in range(count)]


def every(gaps: Iterable[int], *, days: int) -> frozenset[int]:
    """Nights with these gaps between them, from a window before day 0 to the last of the days."""
    nights = accumulate(gaps, initial=-WINDOW)
    found = set()
    for night in nights:
        if night > days:
            break
        found.add(night)
    return frozenset(found)


@dataclass
class Drive:
    """``proven``: when each copy was, in days. ``a_night``: copies that one night can read."""

    proven: list[float]
    nights: frozenset[int]
    a_night: int
    age: int = 90
    lead: int = 14
    read: Counter[int] = field(default_factory=Counter)
    """Copies read, by night."""
    again: dict[int, int] = field(default_factory=dict)
    """The night on which each copy was read for the first time since."""
    late: list[tuple[int, int]] = field(default_factory=list)
    """Copies whose proof was too old, and the night on which that was mended."""

    @property
    def rest(self) -> float:
        return rest_of(self.age * DAY, self.lead * DAY) / DAY

    @property
    def young(self) -> float:
        return max(self.age - self.lead, self.age / 2)

    def habits(self, day: int) -> Habits:
        here = sum(1 for night in range(day - WINDOW, day) if night in self.nights)
        return Habits(
            rate_bytes_s=self.a_night / NIGHT_S,
            night_s=NIGHT_S,
            nights_here=here,
            of_nights=WINDOW,
        )

    def pass_night(self, day: int, cutoff: Cutoff) -> None:
        """Read what is asked for, oldest first, within the budget; nothing where it is not here."""
        if day not in self.nights:
            return
        until = cutoff(self, day)
        old = [copy for copy, at in enumerate(self.proven) if at <= until]
        old.sort(key=lambda copy: self.proven[copy])
        for position, copy in enumerate(old[: self.a_night]):
            if day - self.proven[copy] > self.age:
                self.late.append((copy, day))
            self.proven[copy] = day + NIGHT / DAY * position / self.a_night
            self.again.setdefault(copy, day)
            self.read[day] += 1

    def overdue(self, day: int) -> list[int]:
        return [copy for copy, at in enumerate(self.proven) if day - at > self.age]

    def pass_nights(self, days: Sequence[int], cutoff: Cutoff) -> "Drive":
        for day in days:
            self.pass_night(day, cutoff)
        return self


def level(drive: Drive, day: int) -> float:
    """The schedule that is tried."""
    cutoff = young_until(
        [Load(at=START + at * DAY, size_bytes=1, files=1) for at in drive.proven],
        drive.habits(day),
        now=START + day * DAY,
        age=drive.age * DAY,
        lead=drive.lead * DAY,
    )
    # Fractions of days are not exact; between two proofs here lie some milliseconds at least.
    return (cutoff - START + timedelta(microseconds=100)) / DAY


def plain(drive: Drive, day: int) -> float:
    """The plain rule: what is older than the age less the lead."""
    return day - drive.young


def clairvoyant(drive: Drive, day: int) -> float:
    """Whoever knows the nights to come reads all he can, oldest first; he, too, leaves a rest.

    For equal intervals the oldest has the earliest deadline, and to serve that first is best for
    one machine whose jobs may be interrupted (Jackson's rule with release times in the order of
    deadlines; from memory).
    """
    return day - drive.rest
