"""Each night's share of proofs in a voyage, asked for once a night, as ``daemon.shares`` does."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING

from backupkeeper.core.deeds import Hours
from backupkeeper.core.hours import Window, hours_at
from backupkeeper.core.model import PlaceId, Result
from backupkeeper.core.presence import nights_before
from backupkeeper.core.scrub import Habits, Load, young_until
from tests.core.voyage_parts import DISK_RATE, LEAD, POLICY
from tests.core.voyage_rot import copies_standing

if TYPE_CHECKING:
    from tests.core.voyage import Voyage

NIGHT = Window(start=time(1), end=time(6))
KNOWN = 90
HOUR = timedelta(hours=1)


@dataclass
class Nights:
    """Windows, the night's budget, and the cutoffs of drives; ``is_level``: whether there are any."""

    budget_s: float = 4 * 3600.0
    is_level: bool = True
    kept: dict[PlaceId, tuple[datetime, datetime]] = field(default_factory=dict)
    here: dict[PlaceId, list[datetime]] = field(default_factory=dict)
    """Nights on which a drive was here."""
    told: tuple[tuple[datetime, int], Hours] | None = None

    def hours(self, voyage: "Voyage") -> Hours:
        ground = voyage.now, len(voyage.proof_used)
        if self.told is None or self.told[0] != ground:
            self.told = ground, self._hours(voyage)
        return self.told[1]

    def _hours(self, voyage: "Voyage") -> Hours:
        return hours_at(
            voyage.now,
            tz=UTC,
            upload_windows=(),
            proof_window=NIGHT,
            proof_budget_s=self.budget_s,
            used=voyage.proof_used,
            away=voyage.away,
        )

    def cutoffs(self, voyage: "Voyage") -> Mapping[PlaceId, datetime]:
        """Of the drives that are here, within a night's proofs."""
        if not self.is_level or self.hours(voyage).proof_s <= 0:
            return {}
        _, night = nights_before(NIGHT, voyage.now, UTC, 1)
        for place in voyage.mounted():
            if place not in self.kept or self.kept[place][0] != night:
                self.kept[place] = night, self._cutoff(voyage, place, night)
                self.here.setdefault(place, []).append(night)
        return {place: self.kept[place][1] for place in voyage.mounted()}

    def _cutoff(self, voyage: "Voyage", place: PlaceId, night: datetime) -> datetime:
        before = [at for at in self.here.get(place, []) if at >= night - timedelta(days=KNOWN)]
        first = self.here.get(place, [night])[0]
        return young_until(
            loads(voyage, place),
            Habits(
                rate_bytes_s=DISK_RATE,
                night_s=self.budget_s,
                nights_here=len(before),
                of_nights=min(KNOWN, (night - first).days),
            ),
            now=voyage.now,
            age=POLICY.drive_proof_age,
            lead=LEAD,
        )


def loads(voyage: "Voyage", place: PlaceId) -> list[Load]:
    """What is proven on a drive, by the end of the hour in which it was."""
    found: dict[datetime, list[int]] = {}
    for roll in voyage.rolls.values():
        for one in copies_standing(voyage, roll):
            if one.place == place and one.last.result is Result.MATCHES:
                hour = one.last.at.replace(minute=0, second=0, microsecond=0) + HOUR
                found.setdefault(hour, []).append(one.file.size)
    return [Load(at=at, size_bytes=sum(each), files=len(each)) for at, each in found.items()]
