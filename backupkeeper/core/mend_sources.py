"""Which other places a damaged file needs to be made whole, and which of those that are here to ask.

Promise: a file is begun only where each of its hurt blocks is right, as far as is known, at a place
that can be asked now.
"""

from collections.abc import Collection, Sequence

from backupkeeper.core.deeds import Needed
from backupkeeper.core.model import BLOCK_BYTES, Copy, CopyState, PlaceId
from backupkeeper.core.ranges import Ranges, blocks_of


def needed_from(size: int, damage: Ranges, others: Sequence[tuple[PlaceId, Ranges]]) -> Needed:
    """For each hurt block the places that have it right, each such set once, in a fixed order.

    Args:
        size: of the whole file, in bytes.
        damage: of the copy that is to be mended.
        others: place and damage of every other copy that stands somewhere.

    Returns:
        An empty set among them means: nobody has that block right. Nothing at all: it only wants
        cutting.
    """
    known = [(place, frozenset(blocks_of(ranges))) for place, ranges in others]
    blocks = frozenset(block for block in blocks_of(damage) if block * BLOCK_BYTES < size)
    doubted = blocks & frozenset().union(*(wrong for _, wrong in known))
    sets = {frozenset(place for place, wrong in known if block not in wrong) for block in doubted}
    if blocks - doubted:  # mostly all: they are alike, however many a file has
        sets.add(frozenset(place for place, _ in known))
    return tuple(sorted(sets, key=sorted))


def to_ask(
    needed: Needed, drives: Sequence[PlaceId], buckets: Sequence[PlaceId]
) -> tuple[PlaceId, ...] | None:
    """The places to ask, of those that can be asked now; drives first, no more than it takes.

    None: some block has none.

    Args:
        needed: see ``needed_from``.
        drives: that are here, those to prefer first.
        buckets: that may be asked, likewise.
    """
    order = (*drives, *buckets)
    chosen: set[PlaceId] = set()
    for places in sorted(needed, key=len):
        if places.isdisjoint(chosen):
            able = [place for place in order if place in places]
            if not able:
                return None
            chosen.add(able[0])
    for place in reversed(order):  # one that was chosen later may do for both
        if not any(places.isdisjoint(chosen - {place}) for places in needed):
            chosen.discard(place)
    return tuple(place for place in order if place in chosen)


def names_needed(needed: Needed, here: Collection[PlaceId]) -> frozenset[PlaceId]:
    """Places that would help, where what is here does not do."""
    return frozenset(place for places in needed if places.isdisjoint(here) for place in places)


def hurt(copy: Copy, size: int) -> Ranges:
    """Where a copy is hurt, as far as is known: all of it where that is not said."""
    if copy.state is not CopyState.DAMAGED:
        return ()
    damage = copy.trouble.damage if copy.trouble is not None else ()
    return damage or ((0, size),)
