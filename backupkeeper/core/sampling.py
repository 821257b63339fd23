"""Which objects are fetched back, though the store attested them. Pure, and without a memory.

NIST SP 800-53 CP-9(1) asks for a random sample of what was stored to be retrieved and compared.

Promises:
1. With ``years`` every object is fetched back within so many years after it was sent, and again within
   so many after that, as long as it is asked at least every ``GRACE`` and the budget holds.
2. Its month follows from a hash of its content: every machine chooses the same, and the months of a
   cycle get even shares.
3. Where a month's budget is spent nothing more is due in it. (A file that was begun is fetched whole.)
4. The ``turns`` of a moment tell the same as ``sample_due`` of every object, and each is made from nothing but
   contents: it can be kept for as long as anybody asks for it.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import MAXYEAR, UTC, datetime, timedelta
from decimal import Decimal
from typing import Final

from blake3 import blake3

from backupkeeper.core.model import Blake3, Copy, PlaceId, Way
from backupkeeper.core.prices import Prices, for_requests, in_all, requests_for, to_take
from backupkeeper.core.scrub import MOST_SAMPLE_AGE, sample_moment, year_moment

GRACE: Final = timedelta(days=92)
"""For so long a month's share is made up for; so turning it on asks for no more than a quarter's."""
_TAG: Final = b"backupkeeper: monthly sample\0"
_MONTHS: Final = 12
_ALL: Final = 1 << 64
_YEAR: Final = timedelta(days=366)
_FIRST: Final = datetime(1, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True, slots=True)
class Sampling:
    """What the person wants. ``years`` 0: so many percent each year, else all within these years.

    ``spent`` are the buckets in which this month's budget is used up.
    """

    percent: float = 0.0
    years: int = 0
    spent: frozenset[PlaceId] = field(default=frozenset())


NO_SAMPLING: Final = Sampling()


def sample_due(copy: Copy, now: datetime, sampling: Sampling) -> bool:
    """Whether an object that the store attested is to be fetched back now, as one of the sample."""
    if copy.proof is None or copy.proof.way is not Way.ATTESTED or copy.place in sampling.spent:
        return False
    if not sampling.years and sampling.percent <= 0:
        return False
    last = copy.proof.at if copy.sampled_at is None else max(copy.proof.at, copy.sampled_at)
    if sampling.years:
        moment = month_moment(copy.content, now, sampling.years)
        return last < moment >= now - GRACE or comes_round(now, last, sampling)
    yearly = sample_moment(copy.content, now, percent=sampling.percent)
    return yearly is not None and last < yearly


@dataclass(frozen=True, slots=True)
class Turn:
    """A stretch of time in which a part of all contents have their turn. ``name`` says all of it.

    ``moment`` gives a content's moment in it; None: it has none.
    """

    name: str
    moment: Callable[[Blake3], datetime | None] = field(compare=False, repr=False)


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawn:
    """A file of a roll that has its turn in one of these stretches, and when."""

    path: str
    size_bytes: int
    moment: datetime


def turns(now: datetime, sampling: Sampling) -> tuple[Turn, ...]:
    """All that can hold a moment that matters now: years, or months, the last of them under way."""
    here, since = now.astimezone(UTC), sample_since(now, sampling)
    if sampling.years:
        months = range(_month_of(since), _month_of(here) + 1)
        return tuple(_month_turn(month, sampling.years) for month in months)
    if sampling.percent <= 0:
        return ()
    return tuple(_year_turn(year, sampling.percent) for year in range(since.year, here.year + 1))


def sample_since(now: datetime, sampling: Sampling) -> datetime:
    """Moments that are longer ago count no more (UTC)."""
    here = now.astimezone(UTC)
    return here - min(_kept_for(sampling), here - _FIRST)


def turns_change(now: datetime, sampling: Sampling) -> datetime:
    """When there are other turns by time alone."""
    if sampling.years:
        return next_month(now)
    return datetime(min(now.astimezone(UTC).year + 1, MAXYEAR), 1, 1, tzinfo=UTC)


def next_turn(moments: Iterable[datetime], now: datetime, sampling: Sampling) -> datetime | None:
    """When the first of these moments comes, or begins to count no more."""
    kept = _kept_for(sampling)
    edges = (edge for at in moments for edge in (at, at + kept + timedelta(microseconds=1)))
    return min((edge for edge in edges if edge > now), default=None)


def comes_round(now: datetime, last: datetime, sampling: Sampling) -> bool:
    """Whether it is due because it was last fetched, or sent, too long ago, whatever its turn."""
    return any(now - last >= age for age in comes_round_after(sampling))


def comes_round_after(sampling: Sampling) -> tuple[timedelta, ...]:
    """After how long that is, if ever."""
    return (sampling.years * _YEAR,) if sampling.years else ()


def _kept_for(sampling: Sampling) -> timedelta:
    return GRACE if sampling.years else MOST_SAMPLE_AGE


def _year_turn(year: int, percent: float) -> Turn:
    return Turn(f"{percent!r} % in {year}", lambda content: year_moment(content, year, percent))


def _month_turn(month: int, years: int) -> Turn:
    def moment(content: Blake3) -> datetime | None:
        slot, part = _slot(content, years)
        return _within(month, part) if month % (years * _MONTHS) == slot else None

    return Turn(f"{years} years, month {month}", moment)


def _month_of(here: datetime) -> int:
    return here.year * _MONTHS + here.month - 1


def _slot(content: Blake3, years: int) -> tuple[int, int]:
    """Which month of a cycle of so many years is a content's, and which part of 2**64 of it has passed then."""
    digest = blake3(_TAG + content.encode("utf-8", "surrogatepass")).digest()
    slot = int.from_bytes(digest[:8], "big") * years * _MONTHS // _ALL
    return slot, int.from_bytes(digest[8:16], "big")


def month_moment(content: Blake3, now: datetime, years: int) -> datetime:
    """The latest moment till now at which an object's turn came, in a cycle of so many years."""
    length = years * _MONTHS
    slot, part = _slot(content, years)
    month = _month_of(now.astimezone(UTC))
    month -= (month - slot) % length
    moment = _within(month, part)
    return moment if moment <= now else _within(month - length, part)


def _within(month: int, part: int) -> datetime:
    """A moment of a month, ``part`` of 2**64 from its beginning."""
    begin, end = _begin(month), _begin(month + 1)
    return begin + (end - begin) // timedelta(microseconds=1) * part // _ALL * timedelta(
        microseconds=1
    )


def _begin(month: int) -> datetime:
    # Years before the first only where a clock stands there: then it is the first.
    return datetime(max(1, month // _MONTHS), month % _MONTHS + 1, 1, tzinfo=UTC)


def month_begin(now: datetime) -> datetime:
    """When the month of a budget began (UTC)."""
    return now.astimezone(UTC).replace(day=1, hour=0, minute=0, second=0, microsecond=0)


def next_month(now: datetime) -> datetime:
    """When the next month's budget begins (UTC)."""
    return month_begin(month_begin(now) + timedelta(days=32))


@dataclass(frozen=True, kw_only=True, slots=True)
class Budget:
    """What may be fetched a month: bytes, money. None: as much as it takes."""

    size_bytes: int | None = None
    cost: Decimal | None = None

    @property
    def is_bounded(self) -> bool:
        """Whether anything bounds it."""
        return self.size_bytes is not None or self.cost is not None


def is_spent(budget: Budget, prices: Prices, *, fetched_bytes: int, fetched_files: int) -> bool:
    """Whether a month's budget is used up; a budget of money without a price lets nothing through."""
    if budget.size_bytes is not None and fetched_bytes >= budget.size_bytes:
        return True
    if budget.cost is None:
        return False
    cost = fetch_cost(prices, fetched_bytes, fetched_files)
    return cost is None or cost >= budget.cost or fetch_cost(prices, 1, 1) is None


def fetch_cost(prices: Prices, size_bytes: int, files: int) -> Decimal | None:
    """What fetching so much from the usual storage class costs; None where a price is not known."""
    return in_all([to_take(prices, "", size_bytes), for_requests(prices, requests_for(files))])


@dataclass(frozen=True, kw_only=True, slots=True)
class Outlook:
    """Whether a budget can hold the promise. ``needed`` are bytes a month, ``cost`` their money."""

    needed_bytes: int
    cost: Decimal | None
    years: int
    enough: bool
    takes_years: float | None
    """In how many years it would be done with this budget; None where that is not known."""


def outlook(
    held_bytes: int, held_files: int, years: int, budget: Budget, prices: Prices
) -> Outlook | None:
    """What the promise of ``years`` needs each month; None where nothing is promised."""
    if not years or not held_files:
        return None
    months = years * _MONTHS
    needed, files = -(-held_bytes // months), -(-held_files // months)
    cost = fetch_cost(prices, needed, files)
    shares = []
    if budget.size_bytes is not None and needed:
        shares.append(budget.size_bytes / needed)
    if budget.cost is not None:
        shares.append(0.0 if cost is None else float(budget.cost / cost) if cost else 1.0)
    share = min(shares, default=1.0)
    return Outlook(
        needed_bytes=needed,
        cost=cost,
        years=years,
        enough=share >= 1.0,
        takes_years=years / share if share > 0 else None,
    )


def spent_of(
    fetched: Mapping[PlaceId, tuple[int, int]], budget: Budget, prices: Prices
) -> frozenset[PlaceId]:
    """Buckets whose budget is used up, from the bytes and files fetched of each this month."""
    return frozenset(
        place
        for place, (size, files) in fetched.items()
        if is_spent(budget, prices, fetched_bytes=size, fetched_files=files)
    )
