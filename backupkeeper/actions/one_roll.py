"""One roll as it stands now, and the places that a deed about one roll works on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive, online
from backupkeeper.core.away import not_here
from backupkeeper.core.errors import DriveGoneError, OutOfReachError, UsageError
from backupkeeper.core.lying import Trees, TreesOf, no_trees
from backupkeeper.core.model import (
    Blake3,
    Copy,
    Place,
    PlaceId,
    PlaceKind,
    Roll,
    RollId,
    Standing,
)
from backupkeeper.core.policy import copies_of
from backupkeeper.core.storage import storage_class


@dataclass(frozen=True, kw_only=True, slots=True)
class RollNow:
    """A sealed roll with all copies of its contents, wherever they are, as facts show them now."""

    roll: Roll
    places: Mapping[PlaceId, Place]
    copies: Mapping[Blake3, Sequence[Copy]]
    trees: TreesOf = no_trees
    """Gives all rolls."""


def trees_of(context: Context) -> Trees:
    """All sealed rolls of now."""
    return Trees(
        folders=frozenset(head.folder for head in context.catalog.rolls()),
        homes=context.catalog.homes_of,
    )


def roll_now(context: Context, roll: RollId) -> RollNow:
    """Look a roll up.

    Raises:
        CatalogError: there is no such roll.
    """
    places = {place.id: place for place in context.catalog.places()}
    copies = copies_of(
        context.catalog.facts_of_roll(roll), places, context.config.policy, context.clock.now()
    )
    return RollNow(
        roll=context.catalog.roll(roll),
        places=places,
        copies=copies,
        trees=partial(trees_of, context),
    )


def class_of(context: Context, now: RollNow) -> str:
    """The storage class for originals of a roll that are sent now; empty: the bucket's own."""
    wanted = context.config.upload
    today = context.clock.now().date()
    return storage_class(
        wanted.classes, wanted.storage_class, shoot=now.roll.head.shoot, today=today
    )


def known_place(context: Context, place: PlaceId) -> Place:
    """The place with this id.

    Raises:
        UsageError: there is none.
    """
    for one in context.catalog.places():
        if one.id == place:
            return one
    raise UsageError(f"No place has the id {place}.")


def drive_here(context: Context, place: PlaceId) -> OnlineDrive:
    """The drive that a place is, if it is here.

    Raises:
        UsageError: there is no such place, or it is a bucket.
        DriveGoneError: it is not here.
        OutOfReachError: it is here, in a way in which it can't be used; the sentence says why.
    """
    known = known_place(context, place)
    if known.kind is PlaceKind.BUCKET:
        raise UsageError(f"{known.name} is a bucket, no drive.")
    found = online(context, known)
    if isinstance(found, OnlineDrive):
        return found
    if found == not_here(known):
        raise DriveGoneError(known.name, known.location)
    raise OutOfReachError(found)


def bucket_place(context: Context, place: PlaceId) -> Place:
    """The bucket with this id.

    Raises:
        UsageError: there is no such place, or it is a drive.
        OutOfReachError: it is lost or retired.
    """
    known = known_place(context, place)
    if known.kind is not PlaceKind.BUCKET:
        raise UsageError(f"{known.name} is no bucket.")
    if known.standing is not Standing.ACTIVE:
        raise OutOfReachError(f"{known.name} is {known.standing}.")
    return known
