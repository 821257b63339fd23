"""Until when, and for which mounts, what was found of a roll stays as it is. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from functools import partial
from typing import Final

from backupkeeper.core.model import Blake3, Copy, Fact, PlaceId, Way
from backupkeeper.core.needs import Circumstances, young_for
from backupkeeper.core.policy import CLOCK_SLACK
from backupkeeper.core.sampling import Drawn, comes_round_after, next_turn, turns_change

TICK: Final = timedelta(microseconds=1)
_PROOFS: Final = (Way.READBACK, Way.REHASH, Way.ATTESTED, Way.DOWNLOADED)


def end_of(
    facts: Iterable[Fact], drawn: Sequence[Drawn] | None, around: Circumstances
) -> datetime | None:
    """When age, or the sample's turn, may make a difference."""
    edges = [_next_edge(facts, around)]
    if drawn is not None:
        moments = [one.moment for one in drawn]
        edges.append(next_turn(moments, around.now, around.sampling))
        edges.append(turns_change(around.now, around.sampling))
    return min((edge for edge in edges if edge is not None), default=None)


def _next_edge(facts: Iterable[Fact], around: Circumstances) -> datetime | None:
    """The earliest moment after now at which a fact's age may make a difference."""
    young = partial(young_for, policy=around.policy, lead=around.lead)
    ages: dict[Way, tuple[timedelta, ...]] = {
        way: (young(way), around.policy.age_of(way) + TICK) for way in _PROOFS
    }
    ages[Way.LOOKED] = ages[Way.ATTESTED]
    for way in (Way.ATTESTED, Way.DOWNLOADED):
        ages[way] = (*ages[way], *comes_round_after(around.sampling))
    now = around.now
    edge: datetime | None = None
    for fact in facts:
        moments = [fact.at + age for age in ages.get(fact.way, ())]
        if fact.at > now:
            moments += [fact.at, fact.at - CLOCK_SLACK]
        for moment in moments:
            if moment > now and (edge is None or moment < edge):
                edge = moment
    return edge


def idle_of(
    copies: Mapping[Blake3, Sequence[Copy]], mounted: Mapping[PlaceId, str]
) -> dict[tuple[PlaceId, str | None], bool]:
    """The mounts on which it hangs whether reading again would show anything."""
    return {
        (copy.place, copy.latest.mount): mounted.get(copy.place) == copy.latest.mount
        for group in copies.values()
        for copy in group
        if copy.latest is not None and copy.latest.mount is not None and not copy.latest.cold
    }
