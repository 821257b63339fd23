"""When a drive will be full at the present rate: a range, from the shoots of the last year. Pure.

Promises:
1. Nothing is said of when before ``LEAST_SHOOTS`` shoots within ``LEAST_SPAN`` are known: then
   ``why`` says so.
2. The range is as wide as the rates of the last year, half year and quarter differ, and never
   narrower than ``SPREAD`` to either side.
3. More free bytes never make it full sooner, nor let fewer shoots fit.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from statistics import median
from typing import Final

from backupkeeper.core.outcomes import RollCover
from backupkeeper.core.overview import Filling

YEAR: Final = timedelta(days=365)
HORIZON: Final = timedelta(days=3652)
"""Beyond this nothing is said: ten years."""
LEAST_SHOOTS: Final = 3
LEAST_SPAN: Final = timedelta(days=30)
SPREAD: Final = 0.25
_PARTS: Final = (1.0, 0.5, 0.25)
NO_ROOM_KNOWN: Final = "its free space is not known"
TOO_FEW: Final = "too few shoots are known yet"

Shot = tuple[datetime, int]
"""When the last roll of a shoot was sealed, and the bytes of all its rolls."""


def shoots_of(covers: Iterable[RollCover], now: datetime) -> tuple[Shot, ...]:
    """The shoots of the last year, the oldest first."""
    at: dict[str, datetime] = {}
    sizes: dict[str, int] = {}
    for cover in covers:
        roll = cover.roll
        at[roll.shoot] = max(at.get(roll.shoot, roll.sealed_at), roll.sealed_at)
        sizes[roll.shoot] = sizes.get(roll.shoot, 0) + roll.size_bytes
    return tuple(
        sorted((when, sizes[shoot]) for shoot, when in at.items() if now - YEAR <= when <= now)
    )


def filling(free_bytes: int | None, shoots: tuple[Shot, ...], now: datetime) -> Filling:
    """When a drive will be full.

    Args:
        free_bytes: on it, as it was last seen; None: not known.
        shoots: ``shoots_of`` the last year.
        now: the present time.
    """
    if free_bytes is None:
        return Filling(why=NO_ROOM_KNOWN)
    sizes = [size for _, size in shoots if size]
    if len(sizes) < LEAST_SHOOTS:
        return Filling(why=TOO_FEW)
    left = max(0, free_bytes) / median(sizes)
    span = now - shoots[0][0]
    if span < LEAST_SPAN:
        return Filling(shoots_left=left, why=TOO_FEW)
    rates = [_rate(shoots, now, span * part) for part in _PARTS]
    fast, slow = max(rates) * (1 + SPREAD), min(rates) * (1 - SPREAD)
    return Filling(
        shoots_left=left,
        earliest=_full(free_bytes, fast, now),
        latest=_full(free_bytes, slow, now),
    )


def _rate(shoots: tuple[Shot, ...], now: datetime, span: timedelta) -> float:
    """Bytes a second in the last part of the year."""
    return sum(size for at, size in shoots if at >= now - span) / span.total_seconds()


def _full(free_bytes: int, rate: float, now: datetime) -> datetime | None:
    seconds = HORIZON.total_seconds()
    if rate * seconds <= max(0, free_bytes):
        return None
    return now + timedelta(seconds=max(0, free_bytes) / rate)
