"""Each night's share of proofs, drive by drive, and whether the nights suffice.

Promises:
1. A share is asked for once a night, with what the night has read already: a restart adds none.
2. Habits are what was seen: nights on which the daemon was awake and the drive here.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta, tzinfo
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.drilled import drill_due, drill_warnings
from backupkeeper.actions.health import advice_on_drives, sentence
from backupkeeper.actions.sample_budget import sample_warnings
from backupkeeper.core.deeds import DeedKind, DrillDue
from backupkeeper.core.model import EventKind, Place, PlaceId, PlaceKind, Standing
from backupkeeper.core.presence import ALIVE, nights_before, nights_here
from backupkeeper.core.scrub import Habits, forecast, forecast_words, young_until
from backupkeeper.core.trends import Level

NIGHTS: Final = 90
KNOWN_FROM: Final = 14
"""Before so many nights are known nothing is said about whether they suffice."""
GONE: Final = "gone"
WORN_EVERY: Final = timedelta(hours=1)


class Shares:
    """Kept by the loop's own thread, or made for one report."""

    def __init__(self, context: Context, tz: tzinfo) -> None:
        self._context = context
        self._tz = tz
        self._kept: dict[PlaceId, tuple[datetime, datetime]] = {}
        """Place -> the night, its cutoff."""
        self._worn: tuple[datetime, Mapping[PlaceId, str]] | None = None
        self._drill: tuple[datetime, DrillDue | None] | None = None

    def cutoffs(self, now: datetime, drives: Iterable[PlaceId]) -> Mapping[PlaceId, datetime]:
        """For each drive: proofs that are no younger are to be made again in this night.

        Args:
            now: the present time, within a night's proofs.
            drives: that are here.
        """
        config = self._context.config
        _, night = nights_before(config.proofs.window, now, self._tz, NIGHTS)
        found = {}
        for place in drives:
            kept = self._kept.get(place)
            if kept is None or kept[0] != night:
                kept = self._kept[place] = (night, self._cutoff(place, now, night))
            found[place] = kept[1]
        return found

    def _cutoff(self, place: PlaceId, now: datetime, night: datetime) -> datetime:
        config = self._context.config
        moved = self._moved(place, now - timedelta(days=NIGHTS))
        habits = self.habits(place, now)
        return young_until(
            self._context.catalog.proof_ages(place),
            # Tonight it is here: of a drive of which nothing else is known that is what is expected.
            replace(habits, nights_here=habits.nights_here + 1, of_nights=habits.of_nights + 1),
            now=now,
            age=config.policy.drive_proof_age,
            lead=config.proofs.lead,
            done_bytes=sum(count for at, count, _ in moved if at >= night),
        )

    def habits(self, place: PlaceId, now: datetime) -> Habits:
        """How a drive was used in the last three months."""
        catalog, proofs = self._context.catalog, self._context.config.proofs
        since = now - timedelta(days=NIGHTS + 2)
        nights, _ = nights_before(proofs.window, now, self._tz, NIGHTS)
        here, known = nights_here(
            nights,
            [one.at for one in catalog.events((EventKind.SEEN,), since=since, subject=ALIVE)],
            [
                (one.at, one.detail != GONE)
                for one in catalog.events((EventKind.SEEN,), since=since, subject=place)
            ],
        )
        moved = list(self._moved(place, since))
        seconds = sum(took for _, _, took in moved)
        rate = sum(count for _, count, _ in moved) / seconds if seconds > 0 else 0.0
        return Habits(rate_bytes_s=rate, night_s=proofs.budget_s, nights_here=here, of_nights=known)

    def _moved(self, place: PlaceId, since: datetime) -> Iterator[tuple[datetime, int, float]]:
        """Readings of the place: when they ended, bytes and seconds."""
        subject = f"{DeedKind.PROVE}|{place}"
        for one in self._context.catalog.events((EventKind.MOVED,), since=since, subject=subject):
            count, _, seconds = one.detail.partition(" ")
            try:
                yield one.at, int(count), float(seconds)
            except ValueError:
                continue

    def warnings(self, now: datetime) -> tuple[str, ...]:
        """A sentence for each drive whose nights don't suffice, or that something speaks against.

        And for each bucket whose budget can't hold what is promised of its sample, and for drills.
        """
        names = {place.id: place.name for place in self._context.catalog.places()}
        health = advice_on_drives(self._context, now)
        return (
            *(sentence(names[place], one) for place, one in health.items()),
            *self.slow(now),
            *drill_warnings(self._context),
        )

    def slow(self, now: datetime) -> tuple[str, ...]:
        """A sentence for each drive whose nights, and each bucket whose budget, don't suffice."""
        told = (self._warning(place, now) for place in self._context.catalog.places())
        return (*(one for one in told if one is not None), *sample_warnings(self._context))

    def worn(self, now: datetime) -> Mapping[PlaceId, str]:
        """Drives that should be replaced, with the reasons; looked up once an hour."""
        if self._worn is None or not timedelta(0) <= now - self._worn[0] < WORN_EVERY:
            health = advice_on_drives(self._context, now)
            self._worn = (
                now,
                {
                    place: " ".join(one.reasons)
                    for place, one in health.items()
                    if one.level is Level.REPLACE
                },
            )
        return self._worn[1]

    def drill(self, now: datetime) -> DrillDue | None:
        """The restore drill that is due; looked up once an hour, and after each drill."""
        if self._drill is None or not timedelta(0) <= now - self._drill[0] < WORN_EVERY:
            self._drill = now, drill_due(self._context)
        return self._drill[1]

    def drill_ended(self) -> None:
        """Another one may be due."""
        self._drill = None

    def _warning(self, place: Place, now: datetime) -> str | None:
        if place.kind is PlaceKind.BUCKET or place.standing is not Standing.ACTIVE:
            return None
        habits, catalog = self.habits(place.id, now), self._context.catalog
        if habits.of_nights < KNOWN_FROM:
            return None
        age = self._context.config.policy.drive_proof_age
        # What it holds is quickly told, and no less than what is proven there.
        _, held = catalog.holdings(place.id)
        most = forecast(held, habits, age)
        if most is None or most.enough:
            return None
        made = forecast(sum(load.size_bytes for load in catalog.proof_ages(place.id)), habits, age)
        if made is None or made.enough:
            return None
        return forecast_words(place.name, made, habits, age)
