"""What a file lacks, from where its copies stand and in which state. Pure.

Promise: what is wanted here is what ``actions.mirror`` and ``actions.upload`` would bring, for they ask
the same function.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from backupkeeper.core.lying import THERE
from backupkeeper.core.model import (
    Copy,
    CopyState,
    Place,
    PlaceId,
    PlaceKind,
    Role,
    Standing,
)
from backupkeeper.core.policy import ALL_ROLES, Policy, best_per_role, filled_roles

WANTING: Final = frozenset({CopyState.ABSENT, CopyState.MISSING, CopyState.OUT_OF_REACH})
"""States in which a role has no copy that could be proven or mended where it is."""
READABLE: Final = frozenset({CopyState.PROVEN, CopyState.DUE})
"""States of a copy that others may be made from (it is compared while it is read)."""


def wants(
    own: Sequence[Copy],
    every: Sequence[Copy],
    target: Place,
    places: Mapping[PlaceId, Place],
    policy: Policy,
) -> bool:
    """Whether a place could close a gap of a file by having a copy.

    Args:
        own: copies that are the roll's own (``core.lying``).
        every: all copies of the content, wherever.
        target: the place.
        places: all places.
        policy: what is asked for.
    """
    roles = policy.roles or ALL_ROLES
    if target.role not in roles or target.standing is not Standing.ACTIVE:
        return False
    if any(copy.place == target.id and copy.state in THERE for copy in own):
        return False
    best = best_per_role(own, places, [target.role])[target.role].state
    if best in WANTING:
        return True
    if best is not CopyState.PROVEN or target.role in filled_roles(every, places, roles, policy):
        return False
    # All of them share a device with another role's only copy: would one here count?
    here = Copy(place=target.id, path="", content=every[0].content, state=CopyState.PROVEN)
    return target.role in filled_roles([*every, here], places, roles, policy)


@dataclass(frozen=True, kw_only=True, slots=True)
class Lacks:
    """What follows for a file from where its copies stand, and in which state.

    ``wanted``: places that could be given one, and from which drives.
    """

    filled: frozenset[Role]
    wanted: Mapping[PlaceId, frozenset[PlaceId]]


def lacks(
    own: Sequence[Copy], every: Sequence[Copy], places: Mapping[PlaceId, Place], policy: Policy
) -> Lacks:
    """What a file lacks.

    Args:
        own: copies that are its roll's own (``core.lying``).
        every: all copies of its content, wherever.
        places: all places.
        policy: what is asked for.
    """
    roles = policy.roles or ALL_ROLES
    return Lacks(
        filled=filled_roles(every, places, roles, policy),
        wanted={
            place.id: _sources(every, place, places)
            for place in places.values()
            if wants(own, every, place, places, policy)
        },
    )


def one_a_place(own: Sequence[Copy], places: Mapping[PlaceId, Place]) -> Iterable[Copy]:
    """The best copy of a file at each active place (it may stand there under two names)."""
    order = list(CopyState)
    best: dict[PlaceId, Copy] = {}
    for copy in own:
        if places[copy.place].standing is not Standing.ACTIVE:
            continue
        known = best.get(copy.place)
        if known is None or order.index(copy.state) < order.index(known.state):
            best[copy.place] = copy
    return best.values()


def _sources(
    every: Sequence[Copy], target: Place, places: Mapping[PlaceId, Place]
) -> frozenset[PlaceId]:
    return frozenset(
        copy.place
        for copy in every
        if copy.state in READABLE
        and copy.place != target.id
        and places[copy.place].kind is not PlaceKind.BUCKET
    )
