"""What speaks against a drive: bad readings over time, rates that fell, its own health log. Pure.

Promises:
1. "Replace" is said only with strong reasons: the drive itself says that it is failing, or sectors
   that can't be read grow, hit several files, or come on several days, or bytes changed on several
   days. Every reason is told with its figures.
2. Nothing here calls a drive healthy. Where nothing was seen, that is what is said: more than half
   of the drives that failed in a large study showed none of the strong signs (STANDARDS.md 5.1:
   Pinheiro, Weber, Barroso, FAST 2007).
3. One more bad reading never makes the advice milder, and the order of what is handed in is of no
   account.
4. Where readings were right the second time, or the drive counts more broken transfers, and nothing
   speaks against the medium, the cable is named before the drive.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from statistics import median
from types import MappingProxyType
from typing import Final

from backupkeeper.core.model import Result
from backupkeeper.core.sightings import BadReading, Sightings, date

MANY: Final = 2
"""So many files, or days, are several."""
NEW_FOR: Final = timedelta(days=60)
"""How long a first error makes the end of a drive far likelier (same study: 39 times)."""
FELL_TO: Final = 0.5
"""Rates below this share of what they were are told. Not more: the inner tracks of a spinning disk
are about half as fast as the outer ones (common practice, no source)."""
RATES: Final = 3
"""So many proofs make a rate: the newest ones, and at least as many earlier ones."""
WORN_PERCENT: Final = 100
"""What NVMe calls 100 % is the use that the maker planned for; it may go on beyond."""
OLD_HOURS: Final = 50_000
"""Running for so long is worth a word (about 5.7 years). Failures rise with age, with no flat
bottom (Schroeder and Gibson, FAST 2007); the very number is ours."""
OLD_HERE: Final = timedelta(days=3652)
"""A late peak of failures was seen at about ten years (STANDARDS.md 5.1, public drive statistics)."""
OLD_NEWS: Final = timedelta(days=90)
"""What a drive said of itself before then no longer counts as said lately."""

_HOURS_A_YEAR: Final = 8766
_CHANGED: Final = (Result.DAMAGED, Result.CUT_OFF)
_MEDIUM: Final = (*_CHANGED, Result.UNREADABLE)


class Level(StrEnum):
    """What to do about a drive."""

    FINE = "fine"
    WATCH = "watch"
    CABLE = "cable"
    REPLACE = "replace"


SEVERITY: Final[Mapping[Level, int]] = MappingProxyType(
    {Level.FINE: 0, Level.WATCH: 1, Level.CABLE: 1, Level.REPLACE: 2}
)
"""How serious a level is. A watched drive and a cable to change are equally so."""
WORDS: Final[Mapping[Level, str]] = MappingProxyType(
    {
        Level.FINE: "nothing speaks against it so far",
        Level.WATCH: "watch this drive",
        Level.CABLE: "try another cable and port",
        Level.REPLACE: "replace this drive",
    }
)
"""What a person is told; ``fine`` is no word for a person."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SmartSigns:
    """What a drive says of itself; ``None`` is "not told", never "none".

    ``passed``: its own verdict. ``pending``: sectors that it could not read and that wait.
    ``reallocated``: sectors that it gave up. ``uncorrectable``: sectors that its own check could not
    read. ``cable_errors``: transfers that arrived broken (CRC), ever. ``media_errors``: readings that
    it could not answer, ever. ``critical`` are whole sentences on why it is failing, ``warnings`` on
    what should be watched.
    """

    passed: bool | None
    pending: int | None
    reallocated: int | None
    uncorrectable: int | None
    cable_errors: int | None
    media_errors: int | None
    wear_percent: int | None
    power_on_hours: int | None
    critical: tuple[str, ...]
    at: datetime
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """What was seen of one drive.

    ``bad``: time, kind and path of each bad reading, once for each time that a copy went bad
    (``core.sightings.newly_bad`` makes it from facts); kinds that are people's doing are passed over. ``reads``:
    copies read in the last 90 days. ``rates``: bytes a second of proofs that were long enough to
    tell. ``smart``: the newest answer of the drive itself.
    """

    bad: tuple[BadReading, ...]
    reads: int
    rates: tuple[tuple[datetime, float], ...]
    smart: SmartSigns | None
    first_seen: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Advice:
    """What to do, and why: whole sentences, the weightiest first."""

    level: Level
    reasons: tuple[str, ...]

    @property
    def words(self) -> str:
        """The level as a person is told it."""
        return WORDS[self.level]


def advice(seen: Seen, now: datetime, *, earlier: SmartSigns | None = None) -> Advice:
    """What to do about a drive.

    Args:
        seen: what was seen of it.
        now: the present time.
        earlier: what the drive said of itself some time before, to tell what grew.
    """
    look = _Look(seen, now, earlier)
    strong, cable, weak = tuple(look.strong()), tuple(look.cable()), tuple(look.weak())
    if strong:
        return Advice(level=Level.REPLACE, reasons=(*strong, *weak, *cable, *look.hint()))
    if cable and not look.blames_medium:
        return Advice(level=Level.CABLE, reasons=(*cable, *weak))
    if cable or weak:
        return Advice(level=Level.WATCH, reasons=(*weak, *cable, *look.hint()))
    return Advice(level=Level.FINE, reasons=tuple(look.nothing()))


class _Look:
    """One drive, looked at from all sides."""

    def __init__(self, seen: Seen, now: datetime, earlier: SmartSigns | None) -> None:
        self.seen, self.now, self.smart = seen, now, seen.smart
        self.before = earlier if _is_same_drive(earlier, seen.smart) else None
        self.unreadable = Sightings(seen.bad, [Result.UNREADABLE])
        self.changed = Sightings(seen.bad, _CHANGED)
        self.unstable = Sightings(seen.bad, [Result.UNSTABLE])
        self.medium = Sightings(seen.bad, _MEDIUM)

    def strong(self) -> Iterator[str]:
        """Each is enough to replace the drive."""
        if self.smart is not None:
            if self.smart.passed is False:
                yield f"Its own health check says that it is failing ({date(self.smart.at)})."
            yield from self.smart.critical
            for told, number, grew in self._sectors():
                if grew:
                    yield f"{told}, {grew:,} more than {self._then()}."
                elif number and self.unreadable:
                    yield f"{told}, and copies on it could not be read."
        if max(self.unreadable.files, self.unreadable.days) >= MANY:
            yield self._unreadable()
        if self.changed.days >= MANY:
            yield self._changed()

    def cable(self) -> Iterator[str]:
        """Each speaks for the way to the drive, not for the drive."""
        if self.unstable:
            yield (
                f"{_many(self.unstable.files, 'file')} did not read the same each time, "
                f"{self.unstable.told}: suspect the cable, the port or the memory."
            )
        if self.smart is not None and (grew := self._grew("cable_errors")):
            yield (
                f"It counts {_many(self.smart.cable_errors or 0, 'broken transfer')}, {grew:,} "
                f"more than {self._then()}: suspect the cable or the port."
            )

    def weak(self) -> Iterator[str]:
        """Each is worth an eye on the drive."""
        if 0 < max(self.unreadable.files, self.unreadable.days) < MANY:
            yield self._unreadable()
        if 0 < self.changed.days < MANY:
            yield self._changed()
        yield from self._lately()
        yield from self._smart_weak()
        yield from self._slower()
        if self.now - self.seen.first_seen >= OLD_HERE:
            yield f"It has been in use here since {date(self.seen.first_seen)}: drives fail more with age."

    def hint(self) -> Iterator[str]:
        """What is cheaper to try than another drive."""
        if self.medium.is_sudden:
            yield (
                "Many copies were bad within one day, as a bad cable, port or controller makes them: "
                "try another cable and port first."
            )

    @property
    def blames_medium(self) -> bool:
        """Whether anything speaks against the medium itself."""
        return (
            bool(self.unreadable)
            or bool(self._grew("reallocated"))
            or any(number for _, number, _ in self._sectors())
        )

    def nothing(self) -> Iterator[str]:
        """What is said where nothing was seen, and how little that is."""
        yield "Nothing speaks against it so far."
        if not self.seen.reads:
            yield "No copy on it was read in the last 90 days, so little is known."
        if self.smart is not None and self.smart.passed and self.now - self.smart.at <= OLD_NEWS:
            yield (
                "Its own health check found nothing, which says little: "
                "more than half of the drives that failed in a large study had shown no strong sign."
            )

    def _lately(self) -> Iterator[str]:
        """Whether errors are new, and whether they come more often."""
        if not self.medium or self.now - self.medium.times[-1] > NEW_FOR:
            return
        yield (
            "After a first error a drive is far likelier to fail within 60 days "
            "(39 times, in a study of more than 100,000 drives)."
        )
        lately = self.medium.since(self.now - NEW_FOR)
        before = self.medium.since(self.now - 2 * NEW_FOR) - lately
        if lately > before > 0:
            yield (
                f"It gets worse: {_many(lately, 'bad reading')} in the last 60 days, "
                f"{before:,} in the 60 days before."
            )

    def _sectors(self) -> Iterator[tuple[str, int, int]]:
        """What the drive could not read by its own count: the sentence's beginning, count, growth."""
        if self.smart is None:
            return
        pending, offline = self.smart.pending or 0, self.smart.uncorrectable or 0
        failed = self.smart.media_errors or 0
        yield (
            f"It lists {_many(pending, 'sector')} that could not be read",
            pending,
            self._grew("pending"),
        )
        yield (
            f"Its own check could not read {_many(offline, 'sector')}",
            offline,
            self._grew("uncorrectable"),
        )
        yield (
            f"It counts {_many(failed, 'reading')} that it could not answer",
            failed,
            self._grew("media_errors"),
        )

    def _smart_weak(self) -> Iterator[str]:
        smart = self.smart
        if smart is None:
            return
        for told, number, grew in self._sectors():
            if number and not grew and not self.unreadable:
                yield f"{told} ({date(smart.at)})."
        if smart.reallocated:
            more = self._grew("reallocated")
            since = f", {more:,} more than {self._then()}" if more else ""
            yield f"It has given up {_many(smart.reallocated, 'sector')}{since}."
        yield from smart.warnings
        if smart.wear_percent is not None and smart.wear_percent >= WORN_PERCENT:
            yield f"It has taken {smart.wear_percent:,} % of the writing that its maker planned for."
        if smart.power_on_hours is not None and smart.power_on_hours >= OLD_HOURS:
            years = smart.power_on_hours // _HOURS_A_YEAR
            yield (
                f"It has run for {smart.power_on_hours:,} hours, more than {_many(years, 'year')}: "
                "drives fail more with age."
            )

    def _slower(self) -> Iterator[str]:
        told = sorted((at, rate) for at, rate in self.seen.rates if 0 < rate < math.inf)
        early, late = [r for _, r in told[:-RATES]], [r for _, r in told[-RATES:]]
        if len(early) < RATES:
            return
        was, is_now = median(early), median(late)
        if is_now < FELL_TO * was:
            yield (
                f"The last {RATES} proofs read {_mb(is_now)} MB/s, the {len(early):,} before "
                f"{_mb(was)} MB/s (medians): a slower port or hub, or a drive that reads again "
                "and again."
            )

    def _unreadable(self) -> str:
        of = _many(self.unreadable.files, "file")
        return f"Sectors of {of} could not be read, {self.unreadable.told}."

    def _changed(self) -> str:
        of = _many(self.changed.files, "file")
        return f"{of} came back with other bytes than were written, {self.changed.told}."

    def _grew(self, name: str) -> int:
        """By how much a count of the drive's is above what it was; 0 where that is not known."""
        if self.smart is None or self.before is None:
            return 0
        is_now, was = _count(self.smart, name), _count(self.before, name)
        return max(0, is_now - was) if is_now is not None and was is not None else 0

    def _then(self) -> str:
        assert self.before is not None
        return f"on {date(self.before.at)}"


def _count(signs: SmartSigns, name: str) -> int | None:
    counts = {
        "pending": signs.pending,
        "reallocated": signs.reallocated,
        "uncorrectable": signs.uncorrectable,
        "cable_errors": signs.cable_errors,
        "media_errors": signs.media_errors,
    }
    return counts[name]


def _is_same_drive(earlier: SmartSigns | None, smart: SmartSigns | None) -> bool:
    """Whether two answers may be compared: a drive's hours never run backwards."""
    if earlier is None or smart is None or earlier.at >= smart.at:
        return False
    was, is_now = earlier.power_on_hours, smart.power_on_hours
    return was is None or is_now is None or was <= is_now


def _mb(rate: float) -> str:
    return f"{rate / 1e6:,.1f}"


def _many(number: int, one: str) -> str:
    return f"{number:,} {one if number == 1 else one + 's'}"
