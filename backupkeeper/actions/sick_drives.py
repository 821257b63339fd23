"""Drives that are plugged in and can't be used: other than one that is away, that is a trouble to be told."""

from collections.abc import Mapping

from backupkeeper.actions.context import Context
from backupkeeper.core.away import not_here
from backupkeeper.core.model import PlaceId
from backupkeeper.core.outcomes import Trouble


def sick_drives(
    context: Context,
    away: Mapping[PlaceId, str],
    asked: frozenset[PlaceId] | None = None,
    more: str = "",
) -> dict[PlaceId, Trouble]:
    """Those of the drives that are not here of which it is not simply said that they are away.

    Args:
        context: the world.
        away: what ``online.here_and_away`` says of each.
        asked: those that matter; None: all.
        more: said of each as well.
    """
    return {
        place.id: Trouble(
            place=place.name,
            path="",
            message=f"{away[place.id].removeprefix(f'{place.name}: ')}{more}",
        )
        for place in context.catalog.places()
        if place.id in away
        and away[place.id] != not_here(place)
        and (asked is None or place.id in asked)
    }
