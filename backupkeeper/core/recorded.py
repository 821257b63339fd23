"""The day that a shoot is named by: that of the recordings, never that of the offload.

Promises:
1. Pure: the present time and the zone are handed in.
2. The day is that of the earliest recording that is new on the card. Media come before sidecars,
   which cameras write anew long after (which those are: common practice, no source).
3. A recording made after midnight belongs to the day before only where it goes on with that day's
   work: before ``NIGHT_ENDS`` o'clock, and another recording at most ``NIGHT_GAP`` before it (and
   so on backwards).
4. Dates that can't be never name a shoot: before this century (a camera that was never set often
   says 1980-01-01, where FAT's calendar begins; STANDARDS section 8.4) or more than a day ahead.

FAT keeps local time without a zone; the system makes an instant of it by its own zone, so seen in
that zone again the date is the camera's. It can be off by an hour where summer time changed.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Final

from backupkeeper.core.model import CardEntry
from backupkeeper.core.naming import validate_shoot

NIGHT_ENDS: Final = 4
"""Hour of the day."""
NIGHT_GAP: Final = timedelta(hours=6)
FIRST_YEAR: Final = 2000
"""A shoot's name has two digits of the year, and means this century by them."""
AHEAD: Final = timedelta(days=1)
LEAST_MEDIA_BYTES: Final = 10_000
"""A recording is larger than this; a sidecar mostly smaller. Common practice, no source."""
SIDECARS: Final = frozenset(
    [
        *("bdm", "bim", "bin", "cif", "cpi", "csv", "ctg", "dat", "db", "idx", "inf", "ini"),
        *("json", "log", "lrf", "lrv", "mpl", "pek", "smi", "sqlite", "srt", "tbl", "thm", "tmb"),
        *("txt", "xml", "xmp"),
    ]
)
"""Endings of texts, indexes and previews that lie beside recordings. Common practice, no source."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True, slots=True)
class Day:
    """The day of a card's new recordings.

    ``last`` is the day of the last one; ``misdated`` counts new recordings whose dates can't be,
    which were passed over.
    """

    first: date
    last: date
    recordings: int
    misdated: int = 0

    @property
    def remark(self) -> str:
        """What a person should know about it: a sentence or two, or empty."""
        told = []
        if self.last > self.first:
            told.append(
                f"The recordings were made from {self.first.isoformat()} to "
                f"{self.last.isoformat()}: they become one roll of the first day."
            )
        if self.misdated:
            told.append(
                f"{self.misdated} of the new files have dates that can't be: look at the "
                "camera's clock."
            )
        return " ".join(told)


@dataclass(frozen=True, kw_only=True, slots=True)
class NoDay:
    """Why no day could be had: a sentence."""

    why: str


def day_of(
    files: Sequence[CardEntry],
    *,
    is_known: Callable[[CardEntry], bool],
    now: datetime,
    tz: tzinfo,
) -> Day | NoDay:
    """The day that names the shoot of what is new on a card.

    Args:
        files: all files of the card.
        is_known: whether a file seems to be in a roll already.
        now: the present time, aware.
        tz: the zone in which the card's times were made instants.
    """
    fresh = [entry for entry in files if not is_known(entry)]
    if not fresh:
        return NoDay(why="There is nothing new on it." if files else "There is nothing on it.")
    media = [entry for entry in fresh if is_media(entry)]
    chosen = media or fresh
    dated = _dated(chosen, now, tz)
    if not dated:
        earliest = min(chosen, key=lambda entry: entry.mtime_ns)
        return NoDay(
            why=f"The recordings are dated {_told(earliest.mtime_ns, tz)}, which can't be: set the "
            "camera's clock, and offload this card by hand."
        )
    all_times = sorted(_dated((entry for entry in files if is_media(entry)), now, tz))
    return Day(
        first=_working_day(min(dated), all_times),
        last=_working_day(max(dated), all_times),
        recordings=len(chosen),
        misdated=len(chosen) - len(dated),
    )


def is_media(entry: CardEntry) -> bool:
    """Whether a file is a recording by all appearances, and not a text, index or preview."""
    stem, dot, extension = entry.path.rpartition("/")[2].rpartition(".")
    is_sidecar = bool(stem and dot) and extension.lower() in SIDECARS
    return entry.size >= LEAST_MEDIA_BYTES and not is_sidecar


def shoot_name(day: date, name: str) -> str:
    """``YYMMDD Name``.

    Raises:
        UsageError: the name can't be one of a shoot.
    """
    return validate_shoot(f"{day.year % 100:02d}{day.month:02d}{day.day:02d} {name}")


def _dated(entries: Iterable[CardEntry], now: datetime, tz: tzinfo) -> list[datetime]:
    """Local times of those whose date can be."""
    times = (_instant(entry.mtime_ns) for entry in entries)
    return [
        local
        for time in times
        if time is not None
        and time <= now + AHEAD
        and (local := time.astimezone(tz)).year >= FIRST_YEAR
    ]


def _instant(mtime_ns: int) -> datetime | None:
    """None beyond the years that have four digits."""
    try:
        time = _EPOCH + timedelta(microseconds=mtime_ns // 1000)
    except OverflowError:
        return None
    # A zone can shift the very first and last day out of the calendar.
    return time if date.min.year < time.year < date.max.year else None


def _told(mtime_ns: int, tz: tzinfo) -> str:
    time = _instant(mtime_ns)
    return time.astimezone(tz).date().isoformat() if time is not None else "out of all calendars"


def _working_day(time: datetime, all_times: Sequence[datetime]) -> date:
    """The day that a recording belongs to; ``all_times`` in order, its own among them or not."""
    for earlier in reversed([one for one in all_times if one < time]):
        if time.hour >= NIGHT_ENDS or time - earlier > NIGHT_GAP:
            break
        time = earlier
    return time.date()
