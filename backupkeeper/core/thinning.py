"""Which facts may be let go after years of readings that all said the same. Pure.

The rule: a reading again (``rehash``, ``downloaded``) or a look that matched may go, where it lies between
two facts that are equal in all but time and mount, both older than ``KEPT_WHOLE``, and nothing else was
learnt of its path between these two.

So these stay for ever: the first and the latest of each kind; all that is bad, and what is good right
before and after it; how a file was written and read back or attested; a reading that came right only
the second time, or was broken off; a look that saw another version than the proofs speak of (a mark of
doubt is one), and every fact about a copy of which proofs know more than one version.

Promises:
1. What follows from the facts (a copy's state and its proof, when it was fetched back, first proven,
   found hurt and mended) is the same without them, at that time and later; with a clock that was set
   back no state is better than it was.
2. Thinned twice is thinned once; thinned sooner and later is thinned later.
3. Where two catalogs know the same of what stays for ever, thinning them before they are merged changes
   nothing. Where one lacks some, what is good right around these may be gone.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Hashable, Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.harm import CAME_RIGHT
from backupkeeper.core.model import Blake3, Fact, PlaceId, Result, Way

KEPT_WHOLE: Final = timedelta(days=400)
"""What is younger stays as it is: what is told of the last year looks at every fact of it."""
EVERY: Final = timedelta(days=30)
"""How often the daemon looks for such facts."""
RUN: Final = "thinning"
"""How that is remembered (``EventKind.RAN``)."""
AGAIN: Final = (Way.REHASH, Way.DOWNLOADED, Way.LOOKED)
"""What is done over and over."""


def spare(facts: Iterable[Fact], now: datetime) -> list[Fact]:
    """Facts that may go.

    Args:
        facts: all that are known of their paths, whatever content they speak of, each once, in any
            order.
        now: the present time.
    """
    paths: dict[tuple[PlaceId, str], list[Fact]] = {}
    for fact in facts:
        paths.setdefault((fact.place, fact.path), []).append(fact)
    return [one for group in paths.values() for one in _of_path(group, now - KEPT_WHOLE)]


def _of_path(facts: Sequence[Fact], edge: datetime) -> Iterator[Fact]:
    versions: dict[Blake3, set[str | None]] = {}
    for fact in facts:
        if fact.is_proof:
            versions.setdefault(fact.content, set()).add(fact.version)
    repeats: list[Fact] = []
    others: list[datetime] = []
    for fact in facts:
        if _may_repeat(fact, versions.get(fact.content, set())):
            repeats.append(fact)
        else:
            others.append(fact.at)
    others.sort()
    equal: dict[Hashable, list[Fact]] = {}
    for fact in repeats:
        if fact.at < edge:
            # One of the very instant of something else stands by itself.
            stretch = bisect_left(others, fact.at), bisect_right(others, fact.at)
            equal.setdefault((stretch, _kind(fact)), []).append(fact)
    for group in equal.values():
        first, last = min(one.at for one in group), max(one.at for one in group)
        yield from (one for one in group if first < one.at < last)


def _may_repeat(fact: Fact, proven: set[str | None]) -> bool:
    if fact.result is not Result.MATCHES or fact.way not in AGAIN or fact.note == CAME_RIGHT:
        return False
    if len(proven) > 1:
        return False
    return fact.way is not Way.LOOKED or fact.version in proven


def _kind(fact: Fact) -> Hashable:
    """All of a fact of one path but its time and mount."""
    return fact.content, fact.way, fact.cold, fact.evidence, fact.damage, fact.version, fact.note
