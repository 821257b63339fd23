"""``place lost``, ``place retire`` and ``place found``: what a person says of a place.

Promises:
1. What it means is told before anything is recorded, and telling changes nothing.
2. Nothing is written to the place, and nothing on it is removed.
3. A place that comes back starts anew: no proof from before counts (``core.coming_back``).
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.one_roll import trees_of
from backupkeeper.actions.online import bare
from backupkeeper.actions.places import mark_anew
from backupkeeper.core.errors import UsageError
from backupkeeper.core.leaving import Leaving, most_endangered_first, roll_left, targets_for
from backupkeeper.core.model import (
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    RollId,
    Standing,
    Way,
)
from backupkeeper.core.named import place_named
from backupkeeper.core.outcomes import PlaceBack
from backupkeeper.core.policy import copies_of
from backupkeeper.core.typed import typed
from backupkeeper.ports.progress import Progress

TICK: Final = timedelta(microseconds=1)
NOTE: Final = "the place was away"


def look_at_leaving(
    context: Context, name: str, standing: Standing, progress: Progress, *, new: str | None = None
) -> Leaving:
    """What it would mean that a place is lost or retired. Reads the catalog only.

    Args:
        context: the world.
        name: the place's.
        standing: ``LOST`` or ``RETIRED``.
        progress: told as it goes.
        new: what the place is called that is taken in instead; None: nothing is.

    Raises:
        UsageError: there is no such place, or it stands so already.
    """
    places = {one.id: one for one in context.catalog.places()}
    place = place_named(tuple(places.values()), name)
    if place.standing is standing:
        raise UsageError(
            f"{place.name} is {standing} already.",
            advice=f"If it is back: backupkeeper place found {typed(place.name)}",
        )
    targets = targets_for(place, places, new=new)
    policy, now = context.config.policy, context.clock.now()
    heads = context.catalog.rolls()
    concerned = _concerned(context, place.id, now)
    progress.begin("Looking what that means", total_bytes=0, total_files=len(concerned))
    rolls = []
    trees = trees_of(context)
    for head in heads:
        if head.id not in concerned:
            continue
        progress.file(head.folder)
        roll = context.catalog.roll(head.id)
        copies = copies_of(context.catalog.facts_of_roll(head.id), places, policy, now)
        left = roll_left(roll, copies, place, places, targets, policy, lambda: trees)
        if left is not None:
            rolls.append(left)
        progress.advance(0, files=1)
    progress.end()
    return Leaving(
        place=place,
        standing=standing,
        rolls=most_endangered_first(rolls),
        places=places,
        targets=tuple(one for one in targets if one.id in places),
        replacement=new,
        unfinished=_unfinished(context, place.id),
        uploads=len(context.catalog.uploads(place.id)) if place.kind is PlaceKind.BUCKET else 0,
    )


def _concerned(context: Context, place: PlaceId, now: datetime) -> frozenset[RollId]:
    """Rolls of which anything is known at a place; those that can't be told quickly too."""
    groups = context.catalog.file_groups(context.config.policy, now)
    return frozenset(
        roll
        for roll, found in groups.items()
        if any(not one.is_plain or any(at == place for at, _ in one.stands) for one in found)
    )


def _unfinished(context: Context, place: PlaceId) -> tuple[str, ...]:
    return tuple(
        one.folder
        for one in context.catalog.open_rolls()
        if next(iter(context.catalog.facts_at(place, below=one.folder)), None) is not None
    )


def leave(context: Context, leaving: Leaving) -> Leaving:
    """Record it, and forget the uploads under way to a bucket: nobody goes on with them."""
    place = leaving.place
    with context.catalog.transaction():
        at = context.catalog.stand(place.id, leaving.standing)
        for begun in context.catalog.uploads(place.id):
            context.catalog.upload_ended(place.id, begun)
    return replace(leaving, done_at=at)


def find_again(context: Context, name: str) -> PlaceBack:
    """A place that was lost or retired, or has lost its marker, is back: it counts as far as it is proven anew.

    Where its drive is here without a marker, that is written anew.

    Raises:
        UsageError: there is no such place, or it was never away.
        DriveGoneError, DeviceError, ReadOnlyError, NoSpaceError: its marker can't be written.
    """
    place = place_named(context.catalog.places(), name)
    without = bare(context, place) if place.kind is not PlaceKind.BUCKET else None
    if place.standing is Standing.ACTIVE and without is None:
        raise UsageError(
            f"{place.name} was neither lost nor retired, nor is it here without its marker: there is "
            "nothing to take back."
        )
    if without is not None:
        mark_anew(context, without)
    with context.catalog.transaction():
        at = context.catalog.stand(place.id, Standing.ACTIVE)
        ahead = _from_ahead(context, place, at)
        if ahead:
            context.catalog.record(facts=ahead)
    files, size_bytes = context.catalog.holdings(place.id)
    return PlaceBack(
        place=replace(place, standing=Standing.ACTIVE, counts_from=at),
        marked_at=without.root if without is not None else "",
        was=place.standing,
        files=files,
        size_bytes=size_bytes,
    )


def _from_ahead(context: Context, place: Place, at: datetime) -> Sequence[Fact]:
    """What keeps proofs that a wrong clock dated after now from counting when their time comes.

    A look with a mark of its own outdates a proof without saying anything bad.
    """
    ahead: dict[tuple[str, str], Fact] = {}
    for fact in context.catalog.facts_at(place.id, since=at):
        known = ahead.get((fact.path, fact.content))
        if known is None or known.at < fact.at:
            ahead[fact.path, fact.content] = fact
    return [
        Fact(
            at=fact.at + TICK,
            place=fact.place,
            path=fact.path,
            content=fact.content,
            way=Way.LOOKED,
            result=Result.MATCHES,
            evidence="not read again yet",
            version=f"back:{at.isoformat()}",
            note=NOTE,
        )
        for fact in ahead.values()
    ]
