"""What the facts about one roll come to, summed up so that any policy and any now can be applied. Pure.

Files of a roll whose copies stand alike are one group; of each copy in it only the earliest and the
latest of each date is kept. No state is in it.

Promises:
1. Where ``Weigher.weigh`` answers, every copy of the group has the state that ``core.policy.copy_of``
   gives it from all facts (property tests hold them against each other). Where dates of one group lie
   on both sides of an edge it does not answer.
2. What ``Weigher.is_plain_at`` says of a place errs only towards no.

Times are microseconds since 1970, UTC.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from typing import Final, NamedTuple

from backupkeeper.core.covers import FileGroup
from backupkeeper.core.model import CopyState, Place, PlaceId, Role, RollId, Standing, Way
from backupkeeper.core.policy import Policy
from backupkeeper.core.standing import Scale

NEVER: Final = -(2**63)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_TICK: Final = timedelta(microseconds=1)


class Kind(IntEnum):
    """Which proof of a copy counts, as long as it does."""

    NONE = 0
    """There is none, or the file was written anew since."""
    READ = 1
    ATTESTED = 2
    FETCHED = 3
    BOTH = 4
    """Attested, and fetched back since."""


class Home(IntEnum):
    """Where a copy stands, seen from its roll."""

    ELSEWHERE = 0
    FOLDER = 1
    """In the roll's folder, but not at the file's own path."""
    OWN = 2


class Slot(NamedTuple):
    """One copy of each file of a group: the first and the last of each date.

    ``base``: of the proof that counts; ``seen``: the same, or of a look that keeps it young;
    ``fetched``: of the newest fetch (``Kind.BOTH``); ``latest``: of the newest fact; ``first``: of the
    earliest proof, whatever came after it. ``warm``: 1 where the newest fact is writing, or a reading, that
    was not shown to reach the medium in its mount.
    """

    place: PlaceId
    home: int
    kind: int
    base: int
    base_last: int
    seen: int
    seen_last: int
    fetched: int
    fetched_last: int
    latest: int
    first: int
    first_last: int
    warm: int = 0


@dataclass(frozen=True, slots=True)
class Group:
    """Files whose copies stand at the same places in the same ways. ``path``: of a single file.

    ``slots`` are in the order of their proofs (``base``), which is the same for each of the files.
    """

    files: int
    size_bytes: int
    slots: tuple[Slot, ...]
    path: str = ""


@dataclass(frozen=True, slots=True)
class RollSums:
    """One roll, and when it was sealed.

    ``stamp`` is another one whenever a fact was added or removed since, but by thinning
    (``core.thinning``): that changes nothing of what is said here.
    ``odd`` are the paths of files that must be looked at fact by fact: something bad was ever seen of a
    copy, or its proofs don't belong together. ``names``: how many paths in the roll's folder copies
    of its files have, at the places where one stands under another name than its own.
    """

    id: RollId
    number: int
    sealed: int
    stamp: int
    groups: tuple[Group, ...]
    odd: tuple[str, ...]
    odd_bytes: int
    names: Mapping[PlaceId, int]

    @property
    def files(self) -> int:
        """How many files it has."""
        return len(self.odd) + sum(group.files for group in self.groups)

    @property
    def places(self) -> frozenset[PlaceId]:
        """Where copies in its folder are known of; of odd files that is not told."""
        return frozenset(
            slot.place
            for group in self.groups
            for slot in group.slots
            if slot.home != Home.ELSEWHERE
        )


def micros(at: datetime) -> int:
    """Microseconds since 1970."""
    return (at - _EPOCH) // _TICK


class Weigher:
    """Applies places, policy and now.

    Args:
        places: all places.
        policy: how old proofs may be.
        now: the present time.
    """

    def __init__(self, places: Mapping[PlaceId, Place], policy: Policy, now: datetime) -> None:
        self._roles = {place.id: place.role for place in places.values()}
        self._away = {p.id for p in places.values() if p.standing is not Standing.ACTIVE}
        self._counts_from = {
            place.id: NEVER if place.counts_from is None else micros(place.counts_from)
            for place in places.values()
        }
        self._now = micros(now)
        ways = {Kind.READ: Way.REHASH, Kind.ATTESTED: Way.ATTESTED, Kind.FETCHED: Way.DOWNLOADED}
        self._age: dict[int, int] = {
            int(kind): policy.age_of(way) // _TICK for kind, way in ways.items()
        }

    def weigh(self, group: Group) -> FileGroup | None:
        """How all files of a group stand; None: not all alike, or it takes more than sums to say."""
        stands: list[tuple[PlaceId, CopyState]] = []
        oldest: dict[Role, datetime | None] = dict.fromkeys(Role)
        proven: set[Role] = set()
        for slot in group.slots:  # of each file the newest proof first
            if slot.place not in self._roles:
                continue
            state, role = self._state(slot), self._roles[slot.place]
            if state is None:
                return None
            stands.append((slot.place, state))
            if (state is CopyState.PROVEN and role not in proven) or (
                state is CopyState.DUE and oldest[role] is None
            ):
                oldest[role] = _EPOCH + slot.base * _TICK
                if state is CopyState.PROVEN:
                    proven.add(role)
        return FileGroup(
            stands=tuple(sorted(stands)),
            files=group.files,
            size_bytes=group.size_bytes,
            oldest=oldest,
            is_plain=True,
        )

    def _state(self, slot: Slot) -> CopyState | None:
        if slot.latest > self._now:
            return None
        if slot.place in self._away:
            return CopyState.OUT_OF_REACH
        kind, since = slot.kind, self._counts_from[slot.place]
        if kind == Kind.NONE:
            return CopyState.WRITTEN
        if slot.base < since:
            gone = max(slot.base_last, slot.fetched_last) < since
            return CopyState.WRITTEN if gone else None
        first, last = self._is_due(slot)
        if first is not last:
            return None
        return CopyState.DUE if first else CopyState.PROVEN

    def _is_due(self, slot: Slot) -> tuple[bool, bool]:
        """Whether the oldest proof would be due, and whether the newest."""
        now = self._now
        if slot.kind != Kind.BOTH:
            age = self._age[slot.kind]
            return now - slot.seen > age, now - slot.seen_last > age
        attested, fetched = self._age[Kind.ATTESTED], self._age[Kind.FETCHED]
        return (
            now - slot.seen > attested and now - slot.fetched > fetched,
            now - slot.seen_last > attested and now - slot.fetched_last > fetched,
        )

    def is_plain_at(self, roll: RollSums, place: PlaceId, since: datetime) -> bool:
        """Whether each file was proven in the roll's folder at a place since then, and nothing odd is known."""
        if roll.odd or not roll.groups:
            return False
        begin, own = micros(since), True
        for group in roll.groups:
            homes = [s for s in group.slots if s.place == place and s.home != Home.ELSEWHERE]
            if not homes or not all(self._is_young(slot, begin) for slot in homes):
                return False
            own &= any(slot.home == Home.OWN for slot in homes)
        return own or roll.names.get(place, 0) >= roll.files

    def _is_young(self, slot: Slot, since: int) -> bool:
        seen = slot.fetched if slot.kind == Kind.BOTH else slot.seen
        return (
            slot.kind != Kind.NONE
            and slot.latest <= self._now
            and slot.base >= self._counts_from.get(slot.place, NEVER)
            and seen >= since
        )


def first_steps(
    group: Group, roles: Mapping[PlaceId, Role], scale: Scale, sealed: int, now: datetime
) -> Mapping[Role, int] | None:
    """In which step of time all files of a group were first proven in each role, once the roll was sealed.

    Args:
        group: of a roll.
        roles: of all places.
        scale: the steps.
        sealed: when the roll was.
        now: the present time; what is dated after it does not count.

    Returns:
        The number of the step, for roles in which there ever was a proof; None: not the same for all files.
    """
    present, begin = micros(now), micros(scale.begin)
    earliest: dict[Role, tuple[int, int]] = {}
    for slot in group.slots:
        role, first, last = roles.get(slot.place), slot.first, slot.first_last
        if role is None or last == NEVER or first > present:
            continue
        if first == NEVER or last > present:
            return None
        known = earliest.get(role, (first, last))
        earliest[role] = min(known[0], first), min(known[1], last)
    found = {}
    for role, bounds in earliest.items():
        one, other = ((max(at, sealed) - begin) // (scale.length // _TICK) for at in bounds)
        if one != other:
            return None
        found[role] = one
    return found


def of_odd(paths: Iterable[str], size_bytes: int) -> FileGroup:
    """Files that must be looked at fact by fact."""
    odd = tuple(paths)
    return FileGroup(
        stands=(), files=len(odd), size_bytes=size_bytes, oldest={}, is_plain=False, paths=odd
    )
