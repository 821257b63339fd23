"""Readings of large files that were broken off, and where they go on.

Promises:
1. A reading is taken up only where the file has the size and the time that it had then, and nothing
   but looks has been said of the copy since.
2. A proof made of several readings is as old as the first of them.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.model import Fact, Way

YOUNG: Final = timedelta(days=14)
"""An older beginning is read again: the proof would be old before it was made."""


def part_note(mtime_ns: int) -> str:
    """What tells the file that was read from one that was written to since."""
    return f"its time: {mtime_ns}"


def resumable(
    facts: Iterable[Fact],
    size: int,
    mtime_ns: int,
    now: datetime,
    *,
    since: datetime | None = None,
) -> Fact | None:
    """The reading to go on with, if there is one: of those, the one that got furthest.

    Args:
        facts: about one copy, in any order.
        size: that the copy must have, in bytes.
        mtime_ns: the copy's time now.
        now: the present time.
        since: what was read before counts no more (``Place.counts_from``); None: all does.
    """
    every = list(facts)
    said = max((fact.at for fact in every if fact.way not in {Way.PART, Way.LOOKED}), default=None)
    fit = [
        fact
        for fact in every
        if fact.way is Way.PART
        and fact.cold
        and fact.note == part_note(mtime_ns)
        and fact.damage
        and fact.damage[-1][1] == size
        and timedelta(0) <= now - fact.at <= YOUNG
        and (said is None or said < fact.at)
        and (since is None or since <= fact.at)
    ]
    return max(fit, key=lambda fact: (fact.damage[0][0], fact.at), default=None)


def read_since(part: Fact, before: Iterable[Fact]) -> int:
    """Bytes that this part has more than the one that it went on from.

    Args:
        part: a reading that was broken off.
        before: facts about the copy from before it.
    """
    if not part.damage:
        return 0
    upto = part.damage[0][0]
    known = (
        fact.damage[0][0]
        for fact in before
        if fact.way is Way.PART and fact.at == part.at and fact.damage and fact.damage[0][0] < upto
    )
    return upto - max(known, default=0)


def bytes_read(fact: Fact, size: int, parts: Iterable[Fact]) -> int:
    """Bytes of a file that its last reading read: all, or what was left where it was taken up.

    Args:
        fact: what it came to. A proof made in parts is dated by the first of them.
        size: of the file.
        parts: facts about the copy from before.
    """
    begun = (
        one.damage[0][0]
        for one in parts
        if one.way is Way.PART and one.at == fact.at and one.damage
    )
    return size - max(begun, default=0)
