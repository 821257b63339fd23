"""What a copy's facts come to: its state, a roll's cover, gaps (the verdict: ``core.verdict``).

Promises:
1. Only a proof makes a copy ``proven`` (``Fact.is_proof``), and only while it is young enough.
2. The newest decisive fact wins; at the same instant the worse one does (a file is written before
   it is read). A proof from the future never outdates damage that was seen.
3. Two places on one physical device never fill two roles, nor does a device that is not known,
   unless the policy says that devices need not be distinct.
4. An empty list of roles or files never comes out well.
5. Only a proof, or writing anew, makes damage forgotten: neither a look, nor a warm read, nor that
   the file was missing in between.
6. Of a place that was lost and is back only what was shown since counts (``core.coming_back``).
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import product
from typing import assert_never

from backupkeeper.core.coming_back import counting
from backupkeeper.core.harm import rot_found_at
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Fact,
    Place,
    PlaceId,
    Result,
    Role,
    Roll,
    Standing,
    Way,
)
from backupkeeper.core.outcomes import RoleCover, RoleProof, RollCover

ALL_ROLES = (Role.PRIMARY, Role.SECONDARY, Role.CLOUD)
CLOCK_SLACK = timedelta(days=1)
"""A proof dated further in the future than this says nothing about its age: it is due."""
_POSITION = {state: position for position, state in enumerate(CopyState)}
"""States from best to worst, as the enumeration lists them."""
_STANDS_THERE = frozenset({CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN, CopyState.DAMAGED})
"""States of a copy that is at its place, whatever its bytes are worth."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Policy:
    """What the person asks for. Ages: how old a proof may be and still count."""

    wipe_needs: tuple[Role, ...] = ALL_ROLES
    roles: tuple[Role, ...] = ALL_ROLES
    distinct_devices: bool = True
    drive_proof_age: timedelta = timedelta(days=90)
    attested_age: timedelta = timedelta(days=30)
    downloaded_age: timedelta = timedelta(days=365)

    def age_of(self, way: Way) -> timedelta:
        """How long a proof of this kind counts."""
        match way:
            case Way.READBACK | Way.REHASH:
                return self.drive_proof_age
            case Way.ATTESTED:
                return self.attested_age
            case Way.DOWNLOADED:
                return self.downloaded_age
            case Way.WRITTEN | Way.LOOKED | Way.PART:
                return timedelta(0)
            case _:  # pragma: no cover
                assert_never(way)


def _rank(fact: Fact) -> tuple[datetime, int, str, str]:
    """Order of facts: by time, and at the same instant written, matching, bad, missing.

    Beyond that by way and version, so that the order in which facts are told never matters.
    """
    if fact.result is Result.MATCHES:
        worth = 0 if fact.way is Way.WRITTEN else 1
    else:
        worth = 3 if fact.result is Result.MISSING else 2
    return fact.at, worth, fact.way, fact.version or ""


def _is_decisive(fact: Fact) -> bool:
    return fact.is_proof or fact.way is Way.WRITTEN or fact.result is not Result.MATCHES


def copy_of(facts: Sequence[Fact], place: Place, policy: Policy, now: datetime) -> Copy:
    """The state of one copy from all facts about it.

    Args:
        facts: at least one, all of the same place, path and content, in any order.
        place: the place that they speak of.
        policy: how old proofs may be.
        now: the present time, UTC.
    """
    ordered = sorted(counting(facts, place), key=_rank)
    believed = _believed(ordered, now)
    decisive = _decisive(believed)
    later = [
        fact
        for fact in believed
        if fact is not decisive and (decisive is None or fact.at >= decisive.at)
    ]
    state = (
        _state(decisive, later, believed, policy, now)
        if place.standing is Standing.ACTIVE
        else CopyState.OUT_OF_REACH
    )
    return Copy(
        place=place.id,
        path=ordered[-1].path,
        content=ordered[-1].content,
        state=state,
        proof=decisive if state in {CopyState.PROVEN, CopyState.DUE} else None,
        latest=ordered[-1],
        trouble=_trouble(believed),
        sampled_at=max(
            (fact.at for fact in believed if fact.way is Way.DOWNLOADED and fact.is_proof),
            default=None,
        ),
        harmed_at=rot_found_at(sorted(facts, key=_rank), now),
    )


def _decisive(believed: Sequence[Fact]) -> Fact | None:
    """The newest fact that says what the bytes are.

    Where an object that the store attested was fetched back since, and matched, the attestation
    stays what counts (fetching is a sample): a look goes on keeping it young.
    """
    telling = [fact for fact in reversed(believed) if _is_decisive(fact)]
    samples = (
        fact.way is not Way.DOWNLOADED or fact.result is not Result.MATCHES for fact in telling
    )
    first = next((number for number, is_other in enumerate(samples) if is_other), len(telling))
    if 0 < first < len(telling):
        before = telling[first]
        same = all(fact.version == before.version for fact in telling[:first])
        if before.way is Way.ATTESTED and before.is_proof and same:
            return before
    return telling[0] if telling else None


def _trouble(believed: Sequence[Fact]) -> Fact | None:
    """The newest fact that says what is wrong with the bytes."""
    fine = {Result.MATCHES, Result.MISSING}
    return next((fact for fact in reversed(believed) if fact.result not in fine), None)


def _believed(ordered: Sequence[Fact], now: datetime) -> Sequence[Fact]:
    """Without the proofs from the future, where what was seen till now says more.

    Such a proof was made by a wrong clock, so nobody knows which of the two came first. Where the
    newest thing seen till now is bad, that counts; where the newest of both are proofs, the one whose
    age is known. (Bad news is dated after all that is known: were it the last, it would be the newest.)
    """
    if ordered[-1].at <= now:
        return ordered
    seen = next((fact for fact in reversed(ordered) if fact.at <= now and _is_decisive(fact)), None)
    if seen is None:
        return ordered
    if seen.result is not Result.MATCHES:
        return [fact for fact in ordered if fact.at <= now or not fact.is_proof]
    last = next(fact for fact in reversed(ordered) if _is_decisive(fact))
    if seen.is_proof and last.is_proof and last.at - now > CLOCK_SLACK:
        return [fact for fact in ordered if fact.at <= now]
    return ordered


def _state(
    decisive: Fact | None,
    later: Sequence[Fact],
    believed: Sequence[Fact],
    policy: Policy,
    now: datetime,
) -> CopyState:
    """State from the newest decisive fact and the undecisive ones (looks, warm reads) after it."""
    if decisive is None:
        return CopyState.WRITTEN
    match decisive.result:
        case Result.MISSING:
            if not any(fact.at > decisive.at for fact in later):
                return CopyState.MISSING
            return CopyState.DAMAGED if _was_damaged(believed) else CopyState.WRITTEN
        case Result.MATCHES:
            return _state_of_match(decisive, later, policy, now)
        case _:  # all others say, each in its way, that its bytes are not what they must be
            return CopyState.DAMAGED


def _was_damaged(believed: Sequence[Fact]) -> bool:
    """Whether the newest decisive fact that says more than "missing" says damaged."""
    telling = (
        fact
        for fact in reversed(believed)
        if _is_decisive(fact) and fact.result is not Result.MISSING
    )
    newest = next(telling, None)
    return newest is not None and newest.result is not Result.MATCHES


def _state_of_match(
    decisive: Fact, later: Sequence[Fact], policy: Policy, now: datetime
) -> CopyState:
    if not decisive.is_proof:
        return CopyState.WRITTEN
    looks = [fact for fact in later if fact.way is Way.LOOKED]
    if any(look.version != decisive.version for look in looks):
        return CopyState.WRITTEN  # another version stands there now: the proof is not about it
    seen = decisive.at
    if decisive.way is Way.ATTESTED and looks:
        seen = looks[-1].at
    samples = [fact for fact in later if fact.way is Way.DOWNLOADED]
    for at, way in [(seen, decisive.way), *((fact.at, fact.way) for fact in samples)]:
        if at - now <= CLOCK_SLACK and now - at <= policy.age_of(way):
            return CopyState.PROVEN
    return CopyState.DUE


def copies_of(
    facts: Iterable[Fact], places: Mapping[PlaceId, Place], policy: Policy, now: datetime
) -> dict[Blake3, list[Copy]]:
    """All copies that facts speak of, by content. Facts of places that are not known are dropped."""
    groups: dict[tuple[PlaceId, str, Blake3], list[Fact]] = {}
    for fact in facts:
        if fact.place in places:
            groups.setdefault((fact.place, fact.path, fact.content), []).append(fact)
    copies: dict[Blake3, list[Copy]] = {}
    for (place, _path, content), group in groups.items():
        copies.setdefault(content, []).append(copy_of(group, places[place], policy, now))
    return copies


def best_first(copies: Iterable[Copy], places: Mapping[PlaceId, Place]) -> list[Copy]:
    """Copies in the order in which to read from them: the best state, then the main drive."""
    roles = tuple(Role)
    return sorted(
        copies,
        key=lambda copy: (
            _POSITION[copy.state],
            roles.index(places[copy.place].role),
            copy.place,
            copy.path,
        ),
    )


def best_per_role(
    copies: Iterable[Copy], places: Mapping[PlaceId, Place], roles: Iterable[Role]
) -> dict[Role, RoleProof]:
    """The best copy in each role; ``absent`` where there is none. Newest proof first among equals."""
    best: dict[Role, RoleProof] = {role: RoleProof(state=CopyState.ABSENT) for role in roles}
    for copy in sorted(copies, key=lambda copy: (copy.place, copy.path)):
        role = places[copy.place].role
        if role not in best:
            continue
        if _better(copy, best[role]):
            proof = copy.proof
            best[role] = RoleProof(
                state=copy.state,
                place=copy.place,
                proof=proof.way if proof else None,
                at=proof.at if proof else None,
            )
    return best


def _better(copy: Copy, than: RoleProof) -> bool:
    mine, theirs = _POSITION[copy.state], _POSITION[than.state]
    if mine != theirs:
        return mine < theirs
    return copy.proof is not None and than.at is not None and copy.proof.at > than.at


def filled_roles(
    copies: Iterable[Copy],
    places: Mapping[PlaceId, Place],
    roles: Sequence[Role],
    policy: Policy,
    *,
    not_on: str | None = None,
) -> frozenset[Role]:
    """Roles that proven copies fill, each on a physical device of its own.

    Args:
        copies: of one content.
        places: all places.
        roles: the roles asked for, the most wanted first.
        policy: whether devices must differ.
        not_on: a device that never counts: the one that the card itself is on.
    """
    proven: dict[Role, set[str]] = {role: set() for role in roles}
    for copy in copies:
        place = places[copy.place]
        if copy.state is not CopyState.PROVEN or place.role not in proven:
            continue
        if not policy.distinct_devices:
            proven[place.role].add(place.id)
        elif place.device is not None and not _share_a_disk([place.device, not_on or ""]):
            proven[place.role].add(place.device)
    return _fill(tuple((role, frozenset(proven[role])) for role in dict.fromkeys(roles)))


def _share_a_disk(devices: Sequence[str]) -> bool:
    """Whether two of these rest on one disk. A device on several disks is named ``one+two``."""
    disks = [disk for device in devices for disk in set(device.split("+"))]
    return len(set(disks)) < len(disks)


@lru_cache(maxsize=4096)
def _fill(proven: tuple[tuple[Role, frozenset[str]], ...]) -> frozenset[Role]:
    """The most roles that can have a device of their own; among equals the most wanted."""
    choices = [[(role, device) for device in sorted(devices)] + [None] for role, devices in proven]
    best: tuple[Role, ...] = ()
    best_key: tuple[int, tuple[bool, ...]] = (0, ())
    for choice in product(*choices):
        taken = [pair for pair in choice if pair is not None]
        key = (len(taken), tuple(pair is not None for pair in choice))
        if key > best_key and not _share_a_disk([device for _, device in taken]):
            best, best_key = tuple(role for role, _ in taken), key
    return frozenset(best)


def cover(
    roll: Roll,
    copies: Mapping[Blake3, Sequence[Copy]],
    places: Mapping[PlaceId, Place],
    policy: Policy,
) -> RollCover:
    """One roll against the roles that the policy wants; a roll without files is one big gap.

    A policy that wants no role is held against all of them: nothing asked is not all well.
    """
    roles = policy.roles or ALL_ROLES
    counts: dict[Role, Counter[CopyState]] = {role: Counter() for role in roles}
    holders: dict[Role, set[str]] = {role: set() for role in roles}
    oldest: dict[Role, datetime | None] = dict.fromkeys(roles)
    lacking: set[Role] = set() if roll.files else set(roles)
    at_risk = 0
    fewest = len(set(roles)) if roll.files else 0
    same_device = False
    for file in roll.files:
        mine = copies.get(file.content, ())
        best = best_per_role(mine, places, roles)
        filled = filled_roles(mine, places, roles, policy)
        lacking |= best.keys() - filled
        at_risk += file.size if best.keys() - filled else 0
        fewest = min(fewest, len(filled))
        for role, proof in best.items():
            counts[role][proof.state] += 1
            oldest[role] = min(filter(None, (oldest[role], proof.at)), default=None)
            same_device |= proof.state is CopyState.PROVEN and role not in filled
        for copy in mine:
            place = places[copy.place]
            if place.role in holders and copy.state in _STANDS_THERE:
                holders[place.role].add(place.name)
    covers = {
        role: RoleCover(
            state=max(counts[role], key=_POSITION.__getitem__, default=CopyState.ABSENT),
            places=tuple(sorted(holders[role])),
            counts=dict(counts[role]),
            oldest_proof=oldest[role],
        )
        for role in roles
    }
    return RollCover(
        roll=roll.head,
        roles=covers,
        gaps=tuple(role for role in dict.fromkeys(roles) if role in lacking),
        bytes_at_risk=at_risk,
        fewest=fewest,
        same_device=same_device,
    )


def worst_first(covers: Iterable[RollCover]) -> tuple[RollCover, ...]:
    """Rolls with the most gaps first, then the most bytes at risk, then newest shoot."""
    by_name = sorted(covers, key=lambda c: (c.roll.shoot, c.roll.source, c.roll.name), reverse=True)
    return tuple(sorted(by_name, key=lambda c: (-len(c.gaps), -c.bytes_at_risk)))
