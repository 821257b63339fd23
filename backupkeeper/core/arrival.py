"""When what a bucket lacks will be there: a range, from what was measured and what the person allows. Pure.

Promises:
1. Nothing is said before something was measured, and never a moment before now.
2. The range is as wide as the last hours of sending differed, and never narrower than ``LEAST_SPREAD``.
3. Windows and their limits count by the person's wall clock, over changes of the clocks too.
4. What was measured under a limit says of the line only that it can do so much: where anything was
   measured without one, that counts.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Final

from backupkeeper.core.line import LineRule, line_at

RECENT: Final = timedelta(days=14)
MOST_SAMPLES: Final = 48
"""Of ten minutes each: the last eight hours of sending."""
HORIZON: Final = timedelta(days=60)
"""Beyond this nothing but that is said."""
LEAST_SPREAD: Final = 0.1
UNSURE_SPREAD: Final = 0.25
SURE_AFTER_S: Final = 3600.0
"""What was measured for less time than this may be off by ``UNSURE_SPREAD`` at least."""
_AT_LIMIT: Final = 0.9
_QUARTERS: Final = (0.25, 0.5, 0.75)


@dataclass(frozen=True, kw_only=True, slots=True)
class Sample:
    """So many bytes left for a bucket in so many seconds of sending; ``limit`` as it was then."""

    at: datetime
    byte_count: int
    seconds: float
    limit: float | None = None

    @property
    def rate(self) -> float:
        """Bytes a second."""
        return self.byte_count / self.seconds

    @property
    def was_limited(self) -> bool:
        """Whether the limit, and not the line, made it so slow."""
        return self.limit is not None and self.rate >= _AT_LIMIT * self.limit


@dataclass(frozen=True, kw_only=True, slots=True)
class Rates:
    """What to expect of a line, in bytes a second."""

    slow: float
    fast: float


def expected(samples: Iterable[Sample], now: datetime) -> Rates | None:
    """What to expect after these samples; None: nothing was measured.

    Args:
        samples: of one bucket, in any order.
        now: the present time; what is older than ``RECENT`` says nothing any more.
    """
    known = [
        one
        for one in samples
        if one.seconds > 0 and one.byte_count > 0 and now - RECENT <= one.at <= now
    ]
    free = [one for one in known if not one.was_limited] or known
    newest = sorted(free, key=lambda one: one.at)[-MOST_SAMPLES:]
    if not newest:
        return None
    slow, middle, fast = _quarters(newest)
    seconds = sum(one.seconds for one in newest)
    spread = LEAST_SPREAD if seconds >= SURE_AFTER_S else UNSURE_SPREAD
    return Rates(slow=min(slow, middle * (1 - spread)), fast=max(fast, middle * (1 + spread)))


def _quarters(samples: Sequence[Sample]) -> list[float]:
    """The rates that a quarter, half and three quarters of the time were no faster than."""
    ordered = sorted(samples, key=lambda one: one.rate)
    total = sum(one.seconds for one in ordered)
    found, passed, marks = [], 0.0, list(_QUARTERS)
    for one in ordered:
        passed += one.seconds
        while marks and passed >= marks[0] * total:
            found.append(one.rate)
            marks.pop(0)
    return [*found, *[ordered[-1].rate] * len(marks)]  # the last mark, by a rounding


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrival:
    """When a bucket will have all that it lacks. ``latest`` None: not within ``HORIZON``.

    ``earliest`` None as well: ``why`` says why nothing can be said, or not within ``HORIZON`` either
    (``why`` empty).
    """

    place: str
    """The bucket's name."""
    to_go: int
    """Bytes."""
    earliest: datetime | None = None
    latest: datetime | None = None
    why: str = ""


NOT_MEASURED: Final = "not known yet"
HELD: Final = "not known while uploads wait"


def reached(
    to_go: int, rate: float, rule: LineRule, now: datetime, tz: tzinfo, *, uploads: int = 1
) -> datetime | None:
    """When so many bytes have left at this rate; None: not within ``HORIZON``.

    Args:
        to_go: bytes.
        rate: bytes a second that the line can do.
        rule: windows and limits.
        now: the present time.
        tz: where the person is.
        uploads: how many share the line.
    """
    left = float(to_go)
    for begin, end, limit in _open(now, rule, tz):
        pace = rate if limit is None else min(rate, limit / max(1, uploads))
        seconds = (end - begin).total_seconds()
        if left <= pace * seconds:
            return begin + timedelta(seconds=left / pace)
        left -= pace * seconds
    return None


def _open(
    now: datetime, rule: LineRule, tz: tzinfo
) -> Iterator[tuple[datetime, datetime, int | None]]:
    """Stretches from now on in which uploads may go on, each with its limit."""
    at, last = now, now + HORIZON
    while at < last:
        line = line_at(at, rule, tz)
        end = min(line.changes_at or last, last)
        if line.is_open:
            yield at, end, line.limit
        at = end


def arrival(
    place: str,
    to_go: int,
    rates: Rates | None,
    rule: LineRule,
    now: datetime,
    tz: tzinfo,
    *,
    uploads: int = 1,
) -> Arrival:
    """When a bucket will have all; ``uploads``: how many buckets share the line."""
    if rates is None:
        return Arrival(place=place, to_go=to_go, why=NOT_MEASURED)
    return Arrival(
        place=place,
        to_go=to_go,
        earliest=reached(to_go, rates.fast, rule, now, tz, uploads=uploads),
        latest=reached(to_go, rates.slow, rule, now, tz, uploads=uploads),
    )
