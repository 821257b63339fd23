"""What it means that a place is lost, or retired: told before it is so. Pure.

Promise: what is said to be copied is what the planner would copy: both ask ``core.lacking.wants``.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from backupkeeper.core.lacking import READABLE, wants
from backupkeeper.core.lying import Lying, TreesOf, no_trees
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Place,
    PlaceId,
    PlaceKind,
    Roll,
    RollFile,
    RollHead,
    Standing,
)
from backupkeeper.core.policy import Policy, best_first, cover

Amount = tuple[int, int]
"""Files, and bytes."""
NOTHING: Amount = (0, 0)
NEW_PLACE = PlaceId("a place that is not there yet")
_HELD = frozenset({CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN, CopyState.DAMAGED})
_MAYBE = frozenset({CopyState.DUE, CopyState.WRITTEN})


@dataclass(frozen=True, kw_only=True, slots=True)
class RollLeft:
    """What one roll loses with a place.

    ``opens``: its role has a gap then that it has not now; ``has_gap``: it has one then, old or new.
    ``alone``: files that have no proven copy anywhere else; ``last``: those of them of which no other
    copy is known at all but, perhaps, damaged ones. ``copied``: what must be copied into the role anew;
    ``sources``: from where; ``nowhere``: what could be copied from no place.
    """

    roll: RollHead
    held: Amount
    opens: bool
    has_gap: bool
    alone: Amount = NOTHING
    last: Amount = NOTHING
    copied: Amount = NOTHING
    sources: Mapping[PlaceId, Amount] = field(default_factory=dict)
    nowhere: Amount = NOTHING


@dataclass(frozen=True, kw_only=True, slots=True)
class Leaving:
    """What it means that a place stands otherwise from now on.

    ``targets``: places of its role that the planner could fill instead. ``unfinished``: folders of
    offloads that were begun and not finished, and have files there. ``uploads``: uploads under way.
    """

    place: Place
    standing: Standing
    rolls: tuple[RollLeft, ...]
    places: Mapping[PlaceId, Place]
    targets: tuple[Place, ...] = ()
    replacement: str | None = None
    """What the place is called that is taken in instead (``place replace``)."""
    unfinished: tuple[str, ...] = ()
    uploads: int = 0
    done_at: datetime | None = None
    """When it was recorded; None: it is only told."""
    refused: bool = False
    """It was not recorded, because something has no other proven copy."""

    @property
    def alone(self) -> Amount:
        """Files that have no proven copy anywhere else."""
        return total(one.alone for one in self.rolls)

    @property
    def copied(self) -> Amount:
        """What must be copied into the role anew."""
        return total(one.copied for one in self.rolls)

    @property
    def with_gaps(self) -> int:
        """Rolls that have a gap in this role then."""
        return sum(one.has_gap for one in self.rolls)

    @property
    def wants_a_word(self) -> bool:
        """Whether it is refused without a further word: what is retired could still be copied."""
        return self.standing is Standing.RETIRED and self.alone[0] > 0

    def sources(self) -> dict[PlaceId, Amount]:
        """From where all that is copied comes, the largest part first."""
        found: dict[PlaceId, Amount] = {}
        for one in self.rolls:
            for place, amount in one.sources.items():
                found[place] = total((found.get(place, NOTHING), amount))
        return dict(sorted(found.items(), key=lambda pair: (-pair[1][1], pair[0])))


def total(amounts: Iterable[Amount]) -> Amount:
    """The sum of some amounts."""
    files, size = 0, 0
    for more_files, more in amounts:
        files, size = files + more_files, size + more
    return files, size


def targets_for(place: Place, places: Mapping[PlaceId, Place], *, new: str | None) -> list[Place]:
    """Places of its role that could be filled instead; one that is to come, where there is none.

    Args:
        place: the one that leaves.
        places: all.
        new: what a place is called that is taken in instead of it.
    """
    others = [
        one
        for one in places.values()
        if one.role is place.role and one.id != place.id and one.standing is Standing.ACTIVE
    ]
    if others and new is None:
        return others
    named = new or "a new one"
    return [replace(place, id=NEW_PLACE, name=named, device=NEW_PLACE, standing=Standing.ACTIVE)]


def roll_left(
    roll: Roll,
    copies: Mapping[Blake3, Sequence[Copy]],
    leaving: Place,
    places: Mapping[PlaceId, Place],
    targets: Sequence[Place],
    policy: Policy,
    trees: TreesOf = no_trees,
) -> RollLeft | None:
    """What a roll loses; None where nothing of it is known to be there.

    Args:
        roll: sealed.
        copies: of all its contents, as they stand now.
        leaving: the place.
        places: all places, as they stand now.
        targets: see ``targets_for``.
        policy: what is asked for.
        trees: gives all rolls.
    """
    out = replace(leaving, standing=Standing.LOST)
    after_places = {**places, out.id: out, **{one.id: one for one in targets}}
    after = {name: [_left(copy, out.id) for copy in group] for name, group in copies.items()}
    lying = Lying(roll, after, after_places, trees)
    held = alone = last = copied = nowhere = NOTHING
    sources: dict[PlaceId, Amount] = {}
    for file in roll.files:
        every = after.get(file.content, [])
        states = {copy.state for copy in every}
        if any(_is_held(copy, out.id) for copy in copies.get(file.content, ())):
            held = _more(held, file)
            if CopyState.PROVEN not in states:
                alone = _more(alone, file)
                last = last if states & _MAYBE else _more(last, file)
        own = lying.own(file)
        if not every or not any(wants(own, every, one, after_places, policy) for one in targets):
            continue
        source = _source(every, after_places)
        if source is None:
            nowhere = _more(nowhere, file)
        else:
            copied = _more(copied, file)
            sources[source] = _more(sources.get(source, NOTHING), file)
    if held == NOTHING:
        return None
    role = leaving.role
    gaps = cover(roll, after, after_places, policy).gaps
    return RollLeft(
        roll=roll.head,
        held=held,
        opens=role in gaps and role not in cover(roll, copies, places, policy).gaps,
        has_gap=role in gaps,
        alone=alone,
        last=last,
        copied=copied,
        sources=sources,
        nowhere=nowhere,
    )


def _left(copy: Copy, leaving: PlaceId) -> Copy:
    if copy.place != leaving:
        return copy
    return replace(copy, state=CopyState.OUT_OF_REACH, proof=None)


def _is_held(copy: Copy, place: PlaceId) -> bool:
    return copy.place == place and copy.state in _HELD


def _more(amount: Amount, file: RollFile) -> Amount:
    return amount[0] + 1, amount[1] + file.size


def _source(copies: Sequence[Copy], places: Mapping[PlaceId, Place]) -> PlaceId | None:
    """From where it would be taken: a drive, and a bucket only where no drive has it."""
    readable = [copy for copy in copies if copy.state in READABLE]
    ranked = sorted(
        best_first(readable, places), key=lambda copy: places[copy.place].kind is PlaceKind.BUCKET
    )
    return ranked[0].place if ranked else None


def most_endangered_first(rolls: Sequence[RollLeft]) -> tuple[RollLeft, ...]:
    """Rolls of which files stand alone first, then those that open a gap, then the newest."""
    named = sorted(rolls, key=lambda one: one.roll.folder, reverse=True)
    return tuple(sorted(named, key=lambda one: (-one.last[1], -one.alone[1], not one.opens)))
