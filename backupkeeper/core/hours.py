"""What the clock on the wall allows: windows of the day, the night's proofs, quiet hours.

Promises:
1. Windows are in the person's own time, right over midnight and over a change of the clocks.
2. No night's proofs get more than their budget, nor more than what is left of the night; what the
   machine's absence took from a night may be spent after it, once, until the next night begins.
3. Before ``Hours.changes_at`` nothing is allowed, and nothing forbidden, by time alone.
4. A clock that was set back gives no night its budget twice.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final

from backupkeeper.core.deeds import Hours

_DAY: Final = timedelta(days=1)
Span = tuple[datetime, datetime]
"""From (included) to (not included), in UTC."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Window:
    """A part of every day, in the person's own time; ``end`` before ``start`` goes over midnight."""

    start: time
    end: time


@dataclass(frozen=True, kw_only=True, slots=True)
class WeekTime:
    """A moment of every week, in the person's own time; Monday is 0."""

    weekday: int
    at: time


def _moment(day: date, at: time, tz: tzinfo) -> datetime:
    """That time of that day in UTC; one that the clocks leave out is the moment of the change."""
    local = datetime.combine(day, at, tzinfo=tz)
    back = local.astimezone(UTC).astimezone(tz)
    if back.replace(tzinfo=None) == local.replace(tzinfo=None):
        return local.astimezone(UTC)
    # Left out: with the offset from before the change it lies just as far behind the change.
    before = local.replace(fold=0).utcoffset() or timedelta(0)
    after = local.replace(fold=1).utcoffset() or timedelta(0)
    return _change_between(local.replace(tzinfo=UTC) - max(before, after), abs(before - after), tz)


def _change_between(begin: datetime, length: timedelta, tz: tzinfo) -> datetime:
    """The instant within a span at which the offset changes, to the minute."""
    first = begin.astimezone(tz).utcoffset()
    low, high = 0, int(length / timedelta(minutes=1)) + 1
    while high - low > 1:
        middle = (low + high) // 2
        at = begin + timedelta(minutes=middle)
        if at.astimezone(tz).utcoffset() == first:
            low = middle
        else:
            high = middle
    return begin + timedelta(minutes=high)


def spans_around(window: Window, now: datetime, tz: tzinfo) -> list[Span]:
    """The window's spans from two days before to two days after now, oldest first."""
    today = now.astimezone(tz).date()
    spans = []
    for days in range(-2, 3):
        span = span_of_day(window, today + days * _DAY, tz)
        if span[0] < span[1]:
            spans.append(span)
    return spans


def span_of_day(window: Window | None, day: date, tz: tzinfo) -> Span:
    """The window's span that begins on a day; the whole day where there is no window."""
    if window is None:
        return _moment(day, time(0), tz), _moment(day + _DAY, time(0), tz)
    last = day if window.end > window.start else day + _DAY
    return _moment(day, window.start, tz), _moment(last, window.end, tz)


def is_in(window: Window, now: datetime, tz: tzinfo) -> bool:
    """Whether now lies in the window."""
    return any(begin <= now < end for begin, end in spans_around(window, now, tz))


def next_edge(windows: Iterable[Window], now: datetime, tz: tzinfo) -> datetime | None:
    """When the next of these windows begins or ends."""
    edges = (edge for window in windows for span in spans_around(window, now, tz) for edge in span)
    return min((edge for edge in edges if edge > now), default=None)


def next_week(moment: WeekTime, now: datetime, tz: tzinfo) -> datetime:
    """When that moment of the week comes next.

    Where the clocks leave it out it is the moment of the change; where it comes twice, the first.
    """
    today = now.astimezone(tz).date()
    ahead = (moment.weekday - today.weekday()) % 7
    found = (_moment(today + days * _DAY, moment.at, tz) for days in (ahead, ahead + 7))
    return next(at for at in found if at > now)


def may_disturb(now: datetime, tz: tzinfo, quiet: Window | None) -> bool:
    """Whether it is no quiet hour."""
    return quiet is None or not is_in(quiet, now, tz)


def hours_at(
    now: datetime,
    *,
    tz: tzinfo,
    upload_windows: Sequence[Window],
    proof_window: Window | None,
    proof_budget_s: float,
    used: Sequence[tuple[datetime, float]],
    away: Sequence[Span],
) -> Hours:
    """What the schedule allows now.

    Args:
        now: the present time.
        tz: where the person is.
        upload_windows: when uploads may go on (none: always).
        proof_window: when proofs are made by themselves (None: at any time).
        proof_budget_s: seconds of proving a night (a day where there is no window).
        used: when each proof ended, and how many seconds it took.
        away: spans in which the daemon did not run or the machine slept.
    """
    night, following = _night(proof_window, now, tz)
    # Ends later than now were noted before the clock was set back: they count all the same.
    spent = sum(seconds for ended, seconds in used if night[0] < ended <= following)
    left = proof_budget_s - spent
    edges = [following]
    if now >= night[1]:
        left = min(left, _overlap(away, night))
    elif proof_window is not None:
        left = min(left, (night[1] - now).total_seconds())
        edges.append(night[1])
    may_upload = not upload_windows or any(is_in(one, now, tz) for one in upload_windows)
    if (edge := next_edge(upload_windows, now, tz)) is not None:
        edges.append(edge)
    return Hours(may_upload=may_upload, proof_s=max(0.0, left), changes_at=min(edges))


def _night(window: Window | None, now: datetime, tz: tzinfo) -> tuple[Span, datetime]:
    """The window's span that began last, and when the next one begins."""
    if window is None:
        window = Window(start=time(0), end=time(0))
    spans = spans_around(window, now, tz)
    began = [span for span in spans if span[0] <= now]
    return began[-1], next(span[0] for span in spans if span[0] > now)


def _overlap(away: Iterable[Span], night: Span) -> float:
    """Seconds of the night that absences cover (they may overlap each other)."""
    covered, at = 0.0, night[0]
    for begin, end in sorted(away):
        begin, end = max(begin, at), min(end, night[1])  # noqa: PLW2901 - cut to what counts
        if begin < end:
            covered += (end - begin).total_seconds()
            at = end
    return covered
