"""Repairs that could be begun now, and what others wait for. Pure; a part of ``core.wishes``."""

from collections.abc import Iterable, Iterator
from datetime import datetime

from backupkeeper.core.deeds import Deed, DeedKind, DriveHere, RollNeed, Standing, View
from backupkeeper.core.fitness import subject, unfit
from backupkeeper.core.mend_sources import names_needed, to_ask
from backupkeeper.core.model import PlaceId, PlaceKind, Standing as PlaceStanding
from backupkeeper.core.patience import subjects_of_bucket, until, waits
from backupkeeper.core.wish import Wish, Wishes

WHY = "Some of its files are damaged there, and other copies have the right bytes."


def repairs(view: View, need: RollNeed, found: Wishes) -> Iterator[Wish]:
    """The repairs of one roll, drive by drive."""
    if not view.auto_repair:
        return
    for place, standing in need.at.items():
        if standing.mendable and place in view.drives:
            yield from _repair(view, need, view.drives[place], standing, found)


def _repair(
    view: View, need: RollNeed, drive: DriveHere, standing: Standing, found: Wishes
) -> Iterator[Wish]:
    here, buckets = _ready(view), _buckets(view)
    sources: dict[PlaceId, None] = {}
    lacking: set[PlaceId] = set()
    files = size = 0
    for needed, (count, size_bytes) in standing.mendable.items():
        asked = to_ask(needed, here, buckets)
        if asked is None:
            lacking |= names_needed(needed, (*here, *buckets))
            continue
        sources |= dict.fromkeys(asked)
        files, size = files + count, size + size_bytes
    deed = Deed(
        kind=DeedKind.REPAIR,
        why=WHY,
        place=drive.place,
        sources=tuple(sorted(sources)),
        roll=need.roll.id,
        folder=need.roll.folder,
        size_bytes=size,
        files=files,
    )
    if not files:
        names = " or ".join(sorted(view.places[place].name for place in lacking))
        why = f"It waits for a copy that has the right bytes ({names})."
        # What is here and can't be asked now (its hours, another program, a setback) ends by itself.
        later = any(place in view.drives or _is_bucket(view, place) for place in lacking)
        found.wait(deed, why, _tried_again(view, lacking), person=not later)
        return
    reason = unfit(view, drive, size)
    if reason is not None:
        found.wait(deed, reason.why, reason.at, full=reason.full, person=reason.person)
        return
    yield Wish(deed=deed, fewest=need.fewest, shoot=need.roll.shoot)


def _ready(view: View) -> list[PlaceId]:
    """Drives that can be read from now."""
    return sorted(
        place
        for place in view.drives
        if place not in view.lent and waits(view.setbacks, [subject(view, place)], view.now) is None
    )


def _buckets(view: View) -> list[PlaceId]:
    """Buckets that may be fetched from now."""
    return sorted(
        place
        for place in view.places
        if _is_bucket(view, place)
        and view.hours.may_upload
        and place not in view.lent
        and waits(view.setbacks, subjects_of_bucket(place), view.now) is None
    )


def _is_bucket(view: View, place: PlaceId) -> bool:
    one = view.places[place]
    return one.kind is PlaceKind.BUCKET and one.standing is PlaceStanding.ACTIVE


def _tried_again(view: View, places: Iterable[PlaceId]) -> datetime | None:
    """When the first of these places that failed is tried again."""
    known = {subject(view, place) for place in places}
    known |= {one for place in places for one in subjects_of_bucket(place)}
    failing = known & view.setbacks.keys()
    moments = (until(view.setbacks[one], one) for one in failing)
    return min((at for at in moments if at > view.now), default=None)
