"""How copies stood and stand: ages of proofs, what came together over time, harm and its mending. Pure.

The catalog counts (``ports.catalog.Tallies``); this says what the counts are.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import accumulate
from math import ceil
from typing import Final

from backupkeeper.core.harm import is_rot
from backupkeeper.core.model import Blake3, Fact, Place, PlaceId, Result, Role, RollHead, Standing
from backupkeeper.core.moving import is_moved_away
from backupkeeper.core.overview import Harm, Level, ProofAge
from backupkeeper.core.policy import Policy

MOST_LEVELS: Final = 120
LEAST_STEP: Final = timedelta(hours=1)
EDGES: Final = (7, 30, 90, 365)
"""Days at which one bin of ages ends and the next begins, beside the policy's own ages."""
_DAY: Final = timedelta(days=1)


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaceTally:
    """Proofs of the copies at one place, as far as nothing undid them since.

    ``last_proven`` and ``oldest_proof`` are the newest and the oldest among the newest proofs of its
    copies. ``fetched_files``: copies that were fetched back and matched, ever.
    """

    last_proven: datetime | None = None
    oldest_proof: datetime | None = None
    fetched_files: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class AgeTally:
    """Copies at one place whose newest proof lies in one bin; ``bin`` None: no proof of them counts."""

    place: PlaceId
    bin: int | None
    files: int
    size_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class FirstTally:
    """Bytes of rolls that were first proven in a role within one step of time, counted from 0."""

    role: Role
    step: int
    size_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Tallies:
    """What the catalog counted over all copies."""

    places: Mapping[PlaceId, PlaceTally] = field(default_factory=dict)
    ages: tuple[AgeTally, ...] = ()
    firsts: tuple[FirstTally, ...] = ()
    changed: frozenset[Blake3] = frozenset()
    """Contents of which a copy was ever found changed by somebody."""
    missing: Mapping[PlaceId, int] = field(default_factory=dict)
    """How many contents a place had, and has no more under any name."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Scale:
    """Steps of time from ``begin`` on: step 0 ends at ``begin`` + ``length``."""

    begin: datetime
    length: timedelta
    count: int

    def end_of(self, step: int) -> datetime:
        """When a step ends."""
        return self.begin + (step + 1) * self.length


def edges_of(policy: Policy) -> tuple[int, ...]:
    """Days at which bins of ages end: the usual ones, and those from which on a proof is too old."""
    ages = (policy.drive_proof_age, policy.attested_age, policy.downloaded_age)
    return tuple(sorted({*EDGES, *(ceil(age / _DAY) for age in ages if age > timedelta(0))}))


def proof_ages(
    tallies: Iterable[AgeTally],
    places: Mapping[PlaceId, Place],
    roles: Iterable[Role],
    edges: Sequence[int],
) -> tuple[ProofAge, ...]:
    """How old the proofs of each role are, the youngest first, those without a proof last.

    Every bin is there, empty ones too, so that all roles have the same.

    Args:
        tallies: of the catalog; ``bin`` n is from edge n-1 (included) to edge n.
        places: all places; those that are lost or retired don't count.
        roles: which, in their order.
        edges: ``edges_of`` the policy.
    """
    files: dict[tuple[Role, int | None], int] = {}
    sizes: dict[tuple[Role, int | None], int] = {}
    for one in tallies:
        place = places[one.place]
        if place.standing is Standing.ACTIVE:
            key = place.role, one.bin
            files[key] = files.get(key, 0) + one.files
            sizes[key] = sizes.get(key, 0) + one.size_bytes
    bins: list[tuple[int | None, int | None, int | None]] = [
        (number, begin, end)
        for number, (begin, end) in enumerate(zip((0, *edges), (*edges, None), strict=True))
    ]
    return tuple(
        ProofAge(
            role=role,
            days_from=begin,
            days_to=end,
            files=files.get((role, number), 0),
            size_bytes=sizes.get((role, number), 0),
        )
        for role in dict.fromkeys(roles)
        for number, begin, end in (*bins, (None, None, None))
    )


def scale_of(rolls: Iterable[RollHead], now: datetime) -> Scale | None:
    """Steps from the first roll until now; None where there is no roll."""
    begin = min((roll.sealed_at for roll in rolls), default=None)
    if begin is None:
        return None
    span = max(now - begin, timedelta(0))
    length = max(LEAST_STEP, timedelta(seconds=ceil(span.total_seconds() / MOST_LEVELS)))
    return Scale(begin=begin, length=length, count=max(1, ceil(span / length)))


def levels(
    scale: Scale | None,
    rolls: Iterable[RollHead],
    firsts: Iterable[FirstTally],
    roles: Iterable[Role],
    now: datetime,
) -> tuple[Level, ...]:
    """What had come together by the end of each step; the last is now.

    Args:
        scale: of these rolls.
        rolls: all sealed ones.
        firsts: counted by the catalog with the same scale.
        roles: which.
        now: the present time.
    """
    if scale is None:
        return ()
    taken = [0] * scale.count
    proven = {role: [0] * scale.count for role in roles}
    for roll in rolls:
        step = (roll.sealed_at - scale.begin) // scale.length
        taken[min(step, scale.count - 1)] += roll.size_bytes
    for one in firsts:
        if one.role in proven:
            proven[one.role][min(max(one.step, 0), scale.count - 1)] += one.size_bytes
    grown = {role: list(accumulate(counts)) for role, counts in proven.items()}
    return tuple(
        Level(
            at=max(scale.begin, min(scale.end_of(step), now)),
            taken_bytes=total,
            proven_bytes={role: counts[step] for role, counts in grown.items()},
        )
        for step, total in enumerate(accumulate(taken))
    )


def harms(
    facts: Iterable[Fact],
    place: str,
    folders: frozenset[str],
    sizes: Mapping[Blake3, int],
    *,
    since: datetime,
    now: datetime,
) -> tuple[Harm, ...]:
    """Every time that a copy was found hurt since then, or before and is not mended: newest first.

    Found again before it was mended it is one harm. Only a proof mends it, and none from the future. What was
    moved away is told of where it lies now, if it is hurt there.
    Where only the right to read was lacking there is no harm.

    Args:
        facts: all about the copies concerned, all of one place, in any order.
        place: its name.
        folders: of all rolls.
        sizes: of the contents.
        since: older ones that were mended are left out.
        now: the present time.
    """
    found: list[Harm] = []
    open_ones: dict[tuple[str, Blake3], Harm] = {}
    for fact in sorted(facts, key=_told_in_order):
        copy = fact.path, fact.content
        known = open_ones.get(copy)
        if fact.is_proof and fact.at <= now and known is not None:
            found.append(replace(known, mended_at=fact.at))
            del open_ones[copy]
        elif is_rot(fact) or fact.result is Result.CHANGED:
            first = known.found_at if known is not None else fact.at
            open_ones[copy] = _harm(fact, first, place, folders, sizes)
        elif is_moved_away(fact):
            open_ones.pop(copy, None)
    found = [one for one in found if one.found_at >= since]
    return tuple(sorted([*found, *open_ones.values()], key=_newest_first))


def _told_in_order(fact: Fact) -> tuple[datetime, bool, str, str]:
    """By time; at the same instant what is bad counts for more."""
    return fact.at, not fact.is_proof, fact.result, fact.note


def _newest_first(harm: Harm) -> tuple[float, str, str]:
    return -harm.found_at.timestamp(), harm.path, harm.content


def _harm(
    fact: Fact, found_at: datetime, place: str, folders: frozenset[str], sizes: Mapping[Blake3, int]
) -> Harm:
    return Harm(
        place=place,
        folder=_folder_of(fact.path, folders),
        path=fact.path,
        content=fact.content,
        result=fact.result,
        found_at=found_at,
        size_bytes=sizes.get(fact.content, 0),
        hurt_bytes=sum(end - start for start, end in fact.damage) if fact.damage else None,
        note=fact.note,
    )


def _folder_of(path: str, folders: frozenset[str]) -> str:
    """The roll's folder that a path lies in; the path's own folder where there is none."""
    folder = path.rpartition("/")[0]
    above = folder
    while above:
        if above in folders:
            return above
        above = above.rpartition("/")[0]
    return folder
