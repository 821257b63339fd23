"""When a bucket will have all: a range in words, by the person's own clock."""

from datetime import datetime, timedelta, tzinfo
from typing import Final

from backupkeeper.core.arrival import HORIZON, Arrival
from backupkeeper.report.words import size, told

_DAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_WEEK: Final = 7
_FINE: Final = timedelta(minutes=5)
_COARSE: Final = timedelta(hours=1)
_SOON: Final = timedelta(hours=12)


def arrival_text(arrival: Arrival, now: datetime, zone: tzinfo) -> str:
    """One sentence.

    ``Off site: 412 GB to go, done between Thursday 02:00 and Friday 09:00.``
    """
    head = f"{told(arrival.place)}: {size(arrival.to_go)} to go"
    if arrival.why:
        return f"{head}; when that is done is {told(arrival.why)}."
    if arrival.earliest is None:
        return f"{head}; that takes more than {HORIZON.days} days."
    first = _when(_rounded(arrival.earliest, now, up=False), now, zone)
    if arrival.latest is None:
        return f"{head}, not done before {first}, perhaps in more than {HORIZON.days} days."
    last = _when(_rounded(arrival.latest, now, up=True), now, zone)
    return f"{head}, done {f'between {first} and {last}' if first != last else f'about {first}'}."


def _rounded(at: datetime, now: datetime, *, up: bool) -> datetime:
    """To five minutes, or to the hour where it is far; never past now, never narrower."""
    step = _FINE if at - now < _SOON else _COARSE
    over = timedelta(seconds=at.timestamp() % step.total_seconds())
    rounded = at - over + (step if up and over else timedelta(0))
    return max(rounded, now)


def _when(at: datetime, now: datetime, zone: tzinfo) -> str:
    """``14:05`` today, ``Thursday 02:00`` within a week, ``2026-06-24 02:00`` later."""
    local, today = at.astimezone(zone), now.astimezone(zone).date()
    days = (local.date() - today).days
    clock = f"{local:%H:%M}"
    if not days:
        return clock
    return f"{_DAYS[local.weekday()]} {clock}" if days < _WEEK else f"{local:%Y-%m-%d} {clock}"
