"""Needs of a voyage's rolls, kept while neither facts nor time change them: making them is most of the work."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from backupkeeper.core.deeds import RollNeed
from backupkeeper.core.model import PlaceId, Roll, RollId, Way
from backupkeeper.core.needs import need_of, young_for
from tests.core.voyage_parts import LEAD, POLICY

if TYPE_CHECKING:
    from tests.core.voyage import Voyage

AGES = {
    way: (young_for(age, POLICY, LEAD), POLICY.age_of(age) + timedelta(microseconds=1))
    for way, age in {
        Way.READBACK: Way.REHASH,
        Way.REHASH: Way.REHASH,
        Way.ATTESTED: Way.ATTESTED,
        Way.LOOKED: Way.ATTESTED,
    }.items()
}
"""How long after a fact it may be time to do something about it."""


@dataclass
class KeptNeeds:
    """By roll: what it was made from, when it is outdated by time, and the need."""

    kept: dict[RollId, tuple[object, datetime, RollNeed | None]] = field(default_factory=dict)
    ages: dict[RollId, tuple[int, dict[PlaceId, datetime]]] = field(default_factory=dict)

    def edges(self) -> list[datetime]:
        return [at for _, at, _ in self.kept.values()]

    def needs(self, voyage: "Voyage") -> list[RollNeed]:
        """Of all rolls, those that need something."""
        around = voyage.around()
        for ident, roll in voyage.rolls.items():
            # A cutoff matters only where something is that old.
            oldest = self._oldest(voyage, roll) if around.cutoffs else {}
            told = [(one, at) for one, at in around.cutoffs.items() if oldest.get(one, at) <= at]
            ground = (voyage.known_of(roll), told)
            kept = self.kept.get(ident)
            if kept is None or kept[0] != ground or kept[1] <= voyage.now:
                need = need_of(roll, voyage.copies(roll), around)
                self.kept[ident] = (ground, _next_edge(voyage, roll), need)
        return [need for _, _, need in self.kept.values() if need is not None]

    def _oldest(self, voyage: "Voyage", roll: Roll) -> dict[PlaceId, datetime]:
        """The oldest newest proof of a roll's files, by place."""
        known = voyage.known_of(roll)
        if self.ages.get(roll.head.id, (0, {}))[0] == known:
            return self.ages[roll.head.id][1]
        found: dict[PlaceId, datetime] = {}
        for file in roll.files:
            newest = {one.place: one.at for one in voyage.facts[file.content] if one.is_proof}
            for ident, at in newest.items():
                found[ident] = min(at, found.get(ident, at))
        self.ages[roll.head.id] = known, found
        return found


def _next_edge(voyage: "Voyage", roll: Roll) -> datetime:
    """When time alone may change what a roll needs."""
    moments = [
        fact.at + age
        for file in roll.files
        for fact in voyage.facts.get(file.content, ())
        for age in AGES.get(fact.way, ())
    ]
    return min((at for at in moments if at > voyage.now), default=voyage.now + timedelta(days=90))
