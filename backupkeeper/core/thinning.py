"""Which facts may be let go after years of proofs that all said the same. Pure.

The rule: of good facts that are equal in all but time and mount, with nothing bad of that path among
them, those between the first and the latest may go, once all of these are older than ``KEPT_WHOLE``.

Promises:
1. Nothing bad ever goes, nor the good fact before or after it, nor a reading that came right only
   the second time, nor a reading that was broken off.
2. Thinned twice is thinned once; thinned sooner and later is thinned later.
3. Where two catalogs know the same bad facts from before ``KEPT_WHOLE``, thinning them before they
   are merged changes nothing. Where one lacks some, what is good right around these may be lost.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Hashable, Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Final

from backupkeeper.core.harm import CAME_RIGHT
from backupkeeper.core.model import Fact, PlaceId, Result, Way

KEPT_WHOLE: Final = timedelta(days=400)
"""What is younger stays as it is: all that is reckoned over time looks back less far."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def spare(facts: Iterable[Fact], now: datetime) -> frozenset[Fact]:
    """Facts that may go.

    Args:
        facts: all that are known of their paths, whatever content they speak of, in any order.
        now: the present time.
    """
    known = frozenset(facts)
    bad: dict[tuple[PlaceId, str], list[datetime]] = {}
    for fact in known:
        if fact.result is not Result.MATCHES:
            bad.setdefault((fact.place, fact.path), []).append(fact.at)
    for times in bad.values():
        times.sort()
    equal: dict[Hashable, list[Fact]] = {}
    for fact in known:
        if now - fact.at > KEPT_WHOLE and _may_go(fact):
            times = bad.get((fact.place, fact.path), [])
            # A good fact of the very instant of a bad one stands by itself.
            stretch = bisect_left(times, fact.at), bisect_right(times, fact.at)
            kind = replace(fact, at=_EPOCH, mount=None)
            equal.setdefault((stretch, kind), []).append(fact)
    return frozenset(one for group in equal.values() for one in _between(group))


def _may_go(fact: Fact) -> bool:
    return fact.result is Result.MATCHES and fact.way is not Way.PART and fact.note != CAME_RIGHT


def _between(group: list[Fact]) -> Iterable[Fact]:
    first, last = min(one.at for one in group), max(one.at for one in group)
    return (one for one in group if first < one.at < last)
