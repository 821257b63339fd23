"""Which proofs to make again tonight, whether that can keep up, and which objects to fetch back. Pure.

A drive's proofs are made again a level share a night, the oldest first, so that one large offload
does not come back as one large night. Promises:

1. On any history of nights, what is proven now is read again no later than by the plain rule (all
   that is older than the age less the lead, within the budget), which goes on to hold beside it.
2. Where the drive comes in a rhythm that stretches by no more than a quarter (``SAFETY``), every
   deadline is kept that anybody could keep who knew all nights, and left each copy alone for the
   first tenth of its age as this does (``rest_of``): also if the budgets have nothing to spare but
   that a night ends at the end of a file.
3. So nothing starves there as long as a whole pass fits into the nights of nine tenths of the age.
4. A drive that is here every night reads no more than 1.35 times what it holds in any interval (1.25
   times in the long run), and on no night more than 1.5 even shares.
5. A longer age or a shorter lead never asks for more. No cutoff lies within the rest.

Not promised: anything about nights that come by chance. More is read on each than by the plain rule,
and far less is too old, but an absence longer than any before still comes as it comes.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from itertools import accumulate
from typing import Final

from blake3 import blake3

from backupkeeper.core.model import Blake3

SAFETY: Final = 0.8
"""So much of the nights that were is counted on: a rhythm may stretch by 1/0.8, which is a quarter.

What it costs: in a steady rhythm each copy is read every 0.8 of its age, 1.25 times an interval.
"""
REST: Final = timedelta(days=3)
SPARED: Final = 0.25
"""A load is read once all but this part of it falls into the night's share.

With 0.5 fifty equal files were read 1.8 times an interval, with 1 one of them each night. With 0 a
few that are rarely here were too old twice as often. (Simulated, 900 days.)
"""
_DAY: Final = timedelta(days=1)
MOST_SAMPLE_AGE: Final = timedelta(days=366)
_SAMPLE_TAG: Final = b"backupkeeper: yearly sample\0"
_ALL_DRAWS: Final = 1 << 64
_HOUR_S: Final = 3600.0
_DAY_HOURS: Final = 24
_EXACT: Final = 1 - 1e-9
"""What arithmetic with fractions may be off: five nights and a billionth are five nights."""
_UNITS: Final = ("bytes", "kB", "MB", "GB", "TB", "PB", "EB")


@dataclass(frozen=True, kw_only=True, slots=True)
class Load:
    """Copies on one drive whose newest proof is of one time. ``files`` is for those who tell of it.

    Loads should be fine, some minutes of reading: one is read as a whole, on one night.
    """

    at: datetime
    size_bytes: int
    files: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Habits:
    """How a drive was used: what may be expected of the nights to come.

    ``rate_bytes_s``: seen when it was read; 0: not known. ``night_s``: seconds that a night may
    spend. ``nights_here``: on how many of the last ``of_nights`` nights, tonight not counted, it was
    here (tonight counted, a weekly drive would seem to come on 13 of 90, which is more than weekly).
    ``of_nights``: no more than passed since it was first known.
    """

    rate_bytes_s: float
    night_s: float
    nights_here: int
    of_nights: int

    @property
    def night_bytes(self) -> float:
        """What one night can read; no bound where the rate is not known."""
        return self.rate_bytes_s * self.night_s if self.rate_bytes_s > 0 else math.inf

    @property
    def part_here(self) -> float:
        """The part of nights on which it is here; 0 where nobody knows."""
        return min(1.0, self.nights_here / self.of_nights) if self.of_nights > 0 else 0.0


# -- tonight's share


def rest_of(age: timedelta, lead: timedelta) -> timedelta:
    """How long a proof is left alone, whatever the share asks: a tenth of its age, at least 3 days.

    A drive that comes for a few evenings a season asks for as much as can be read on each; without
    a rest the second evening would read again what the first one did. A tenth costs a full drive no
    more than a tenth of its nights, and only right after a large offload; three days outlast a long
    weekend. It never holds up what the plain rule reads.
    """
    return min(max(age / 10, REST), _young_for(age, lead))


def _young_for(age: timedelta, lead: timedelta) -> timedelta:
    """The plain rule; ``core.needs.young_for`` says the same for a policy."""
    return max(age - lead, age / 2)


def young_until(
    loads: Iterable[Load],
    habits: Habits,
    *,
    now: datetime,
    age: timedelta,
    lead: timedelta,
    done_bytes: int = 0,
) -> datetime:
    """The cutoff: proofs of this time, and older ones, are to be made again tonight, oldest first.

    The share of a night is the critical rate: over all that is older than any one load, and that
    one, its bytes for each night that is left to read them; the largest of these. The nights left
    run out when the plain rule would read the load anyway, or at 0.8 of the way to its deadline,
    whichever is first, so that the lead stays in reserve for nights that do not come. What the plain
    rule asks for comes on top.

    Ask once a night and keep the answer, or tell what tonight has read already: asked again and
    again without it, each answer would be one more share, up to the night's whole budget.

    Args:
        loads: the newest proof of each copy on the drive, in any order.
        habits: of this drive.
        now: the present time.
        age: how old a proof may be and still count.
        lead: how long before that a copy is read whatever the share says.
        done_bytes: what tonight has read again (the new proofs are in ``loads``).
    """
    plain = now - _young_for(age, lead)
    sizes: dict[datetime, int] = {}
    for load in loads:
        sizes[load.at] = sizes.get(load.at, 0) + load.size_bytes
    times = sorted(at for at in sizes if at > plain)
    sums = list(accumulate(sizes[at] for at in times))
    left = _nights_left((now - at for at in times), habits.part_here, age, lead)
    # When the night began, what it has read was older than all that is left.
    began = [min(total + done_bytes, sums[-1]) for total in sums]
    critical = max((total / nights for total, nights in zip(began, left, strict=True)), default=0)
    wanted, room = critical - done_bytes, habits.night_bytes - done_bytes
    shared = [
        at
        for at, total in zip(times, sums, strict=True)
        if total - SPARED * sizes[at] <= wanted and total - sizes[at] < room
    ]
    if wanted <= 0 or not shared:
        return plain
    return max(plain, min(shared[-1], now - rest_of(age, lead)))


def _nights_left(
    olds: Iterable[timedelta], part_here: float, age: timedelta, lead: timedelta
) -> list[float]:
    """Nights to count on for proofs that old: with this one, which there is in any case."""
    age_days, young_days = age / _DAY, _young_for(age, lead) / _DAY
    days = (old / _DAY for old in olds)
    left = (min(young_days - old, SAFETY * (age_days - old)) for old in days)
    return [max(1.0, days_left * part_here) for days_left in left]


# -- the forecast


class RemedyKind(StrEnum):
    """What could be changed so that a drive keeps up."""

    NIGHTS = "nights"
    """Plugged in on so many of ``of_nights``."""
    HOURS = "hours"
    """Read for so many hours a night."""
    DAYS = "days"
    """An interval of so many days."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Remedy:
    """One thing that alone would do: the least amount of it."""

    kind: RemedyKind
    amount: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Forecast:
    """Whether one whole pass over a drive fits into the interval, if its habits stay.

    ``hours``: of reading. ``nights_needed``: with the night's hours, not rounded. ``enough``: the
    interval has so many whole nights. ``remedies``: empty where it is, or where nothing would do.
    """

    bytes: int
    hours: float
    nights_needed: float
    nights_here: int
    of_nights: int
    enough: bool
    remedies: tuple[Remedy, ...]


def forecast(total_bytes: int, habits: Habits, age: timedelta) -> Forecast | None:
    """Whether a whole pass over so many bytes fits into an interval of that age.

    None: not known yet, that is below a byte a second, a second a night or a night of history.
    """
    if min(habits.rate_bytes_s, habits.night_s, habits.of_nights) < 1:
        return None
    hours = total_bytes / habits.rate_bytes_s / _HOUR_S
    needed = hours / (habits.night_s / _HOUR_S)
    enough = _whole(needed) <= _nights_in(age, habits.nights_here, habits.of_nights)
    return Forecast(
        bytes=total_bytes,
        hours=hours,
        nights_needed=needed,
        nights_here=habits.nights_here,
        of_nights=habits.of_nights,
        enough=enough,
        remedies=() if enough else tuple(_remedies(hours, _whole(needed), habits, age)),
    )


def _whole(nights: float) -> int:
    return math.ceil(nights * _EXACT)


def _nights_in(age: timedelta, nights_here: int, of_nights: int) -> int:
    """Whole nights that an interval has for certain, if they come evenly."""
    return _ticks(age) * nights_here // (of_nights * _ticks(_DAY))


def _ticks(span: timedelta) -> int:
    """Microseconds: whole numbers have no bound."""
    return span // timedelta.resolution


def _remedies(hours: float, needed: int, habits: Habits, age: timedelta) -> Iterator[Remedy]:
    here, window = habits.nights_here, habits.of_nights
    nights = -(-needed * window * _ticks(_DAY) // _ticks(age))
    if nights <= window:
        yield Remedy(kind=RemedyKind.NIGHTS, amount=nights)
    had = _nights_in(age, here, window)
    if had and hours / had <= _DAY_HOURS:
        yield Remedy(kind=RemedyKind.HOURS, amount=hours / had)
    if here:
        yield Remedy(kind=RemedyKind.DAYS, amount=-(-needed * window // here))


def forecast_words(name: str, made: Forecast | None, habits: Habits, age: timedelta) -> str:
    """The forecast, made of these habits and this age, as a person reads it; ``name``: the drive's.

    A longer interval is named only where nothing else would do: it lowers what is asked for.
    """
    if made is None:
        what = "fast it can be read" if habits.rate_bytes_s < 1 else "often it is here at night"
        return f"{name}: how {what} is not known yet."
    if made.bytes == 0:
        return f"{name}: there is nothing on it to read."
    nights = _whole(made.nights_needed)
    days = "day" if made.of_nights == 1 else f"{made.of_nights} days"
    reads = (
        f"{name}: {_size(made.bytes)} at {_size(habits.rate_bytes_s)}/s is {_hours(made.hours)}; "
        f"at {_hours(habits.night_s / _HOUR_S)} a night that is {_nights(nights)}, "
        f"connected {_nights(made.nights_here)} in the last {days}: "
    )
    each = "" if age == made.of_nights * _DAY else f" for a pass every {_number(age / _DAY)} days"
    if made.enough:
        return f"{reads}enough{each}."
    of = f" of {made.of_nights}" if each else ""
    return f"{reads}not enough{each}. {_what_would_do(made, of)}"


def _what_would_do(made: Forecast, of: str) -> str:
    ways = []
    by_kind = {remedy.kind: remedy.amount for remedy in made.remedies}
    if (nights := by_kind.get(RemedyKind.NIGHTS)) is not None:
        ways.append(f"plugged in on {_nights(int(nights), of)}")
    if (hours := by_kind.get(RemedyKind.HOURS)) is not None:
        ways.append(f"read for {_hours(math.ceil(hours * 10 * _EXACT) / 10)} a night")
    if not ways and RemedyKind.DAYS in by_kind:
        ways.append(f"with a pass every {by_kind[RemedyKind.DAYS]:,.0f} days")
    if not ways:
        return "With these hours no number of nights would do."
    text = ", or ".join(ways) + ("," if len(ways) > 1 else "")
    return f"{text[0].upper()}{text[1:]} it would do."


def _nights(number: int, of: str = "") -> str:
    return f"{f'{number:,}' if number else 'no'}{of} {'nights' if of or number != 1 else 'night'}"


def _number(value: float) -> str:
    return f"{value:,.1f}".removesuffix(".0")


def _hours(hours: float) -> str:
    return f"{_number(hours)} h" if hours >= 0.05 or not hours else "less than 0.1 h"  # noqa: PLR2004 - what rounds to 0.1


def _size(count: float) -> str:
    """Three digits at most, in decimal units: ``4.1 TB``, ``120 MB``."""
    power = 0
    while count >= 999.5 and power < len(_UNITS) - 1:  # noqa: PLR2004 - what rounds to 1,000
        count, power = count / 1000, power + 1
    digits = 2 if count < 9.995 else 1 if count < 99.95 else 0  # noqa: PLR2004 - three digits
    text = f"{count:,.{digits}f}"
    text = text.rstrip("0").rstrip(".") if digits else text
    return f"{text} {'byte' if text == '1' and not power else _UNITS[power]}"


# -- the bucket's yearly sample


def sample_moment(content: Blake3, now: datetime, *, percent: float) -> datetime | None:
    """Since when an object of this content should have been fetched back; None: need not be.

    Each calendar year (UTC) chooses a part of all contents, by nothing but their hash and the year,
    and gives each of the chosen its moment, evenly over the year. So every machine chooses the same,
    and nothing needs remembering.

    Args:
        content: of the object.
        now: the present time.
        percent: how many of a hundred are chosen each year.

    Returns:
        The latest moment that has passed within 366 days.
    """
    this_year = now.astimezone(UTC).year
    for year in range(this_year, max(0, this_year - 3), -1):
        moment = year_moment(content, year, percent)
        if moment is not None and timedelta(0) <= now - moment <= MOST_SAMPLE_AGE:
            return moment
    return None


def year_moment(content: Blake3, year: int, percent: float) -> datetime | None:
    """An object's moment in a calendar year; None: it is not chosen."""
    draw, place = _draws(content, year)
    begin = datetime(year, 1, 1, tzinfo=UTC)
    length = datetime(year, 12, 31, tzinfo=UTC) - begin + _DAY
    moment = begin + timedelta(microseconds=_ticks(length) * place // _ALL_DRAWS)
    return moment if draw * 100 < percent * _ALL_DRAWS else None


def _draws(content: Blake3, year: int) -> tuple[int, int]:
    """Two numbers below 2**64 that look random and always are the same."""
    said = content.encode("utf-8", "surrogatepass")
    digest = blake3(_SAMPLE_TAG + said + b"\0%d" % year).digest()
    return int.from_bytes(digest[:8], "big"), int.from_bytes(digest[8:16], "big")


# -- the order of one sweep


def read_order(entries: Sequence[tuple[str, int | None]]) -> list[int]:
    """The order in which to read files of one roll: folder by folder, each in one forward sweep.

    A folder comes where its first file lies on the disk; folders of which no position is known come
    last, in the order of the tree. Files without a position come last in their folder, by name.

    Args:
        entries: each file's path, and where on the medium it begins, if that is known.

    Returns:
        Indices into ``entries``.
    """
    begins: dict[str, _Spot] = {}
    for path, position in entries:
        folder = _folder(path)
        begins[folder] = min(begins.get(folder, _NOWHERE), _spot(position))

    def key(index: int) -> tuple[_Spot, list[str], _Spot, str, int]:
        path, position = entries[index]
        folder = _folder(path)
        return begins[folder], folder.split("/"), _spot(position), path, index

    return sorted(range(len(entries)), key=key)


_Spot = tuple[bool, int]
"""Whether a position is not known, and the position: what is not known comes last."""
_NOWHERE: Final[_Spot] = (True, 0)


def _spot(position: int | None) -> _Spot:
    return _NOWHERE if position is None else (False, position)


def _folder(path: str) -> str:
    return path.rpartition("/")[0]
