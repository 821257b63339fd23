"""What each roll lacks and what could be done about it, file by file.

Promises:
1. What is wanted here is what ``actions.mirror`` and ``actions.upload`` would bring: they ask the
   same function (``core.lacking``), so that no deed is planned that does nothing.
2. A copy that is there, whatever its state, is never wanted there again: it wants proving or mending.
3. A copy that reading again in this mount can't prove is not asked to be read again in it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from backupkeeper.core.deeds import Needed, RollNeed, Standing, Want
from backupkeeper.core.harm import is_mendable
from backupkeeper.core.lacking import Lacks, lacks, one_a_place
from backupkeeper.core.lying import THERE, Lying, TreesOf, no_trees
from backupkeeper.core.mend_sources import hurt, needed_from
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Role,
    Roll,
    RollFile,
    Way,
)
from backupkeeper.core.policy import ALL_ROLES, Policy, cover
from backupkeeper.core.sampling import NO_SAMPLING, Sampling, sample_due

VAIN: Final = (
    "read again while it is mounted as it is now, nothing would be shown; unplug the drive and plug "
    "it in again"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Circumstances:
    """What needs follow from besides facts. ``mounted``: token of each drive's mount, if it is here.

    ``lead``: how long before a proof is too old it should be made again.
    """

    places: Mapping[PlaceId, Place]
    policy: Policy
    now: datetime
    mounted: Mapping[PlaceId, str] = field(default_factory=dict)
    lead: timedelta = timedelta(0)
    cutoffs: Mapping[PlaceId, datetime] = field(default_factory=dict)
    """Proofs on a drive that are no younger than this are to be made again: the night's share."""
    sampling: Sampling = NO_SAMPLING
    """What of all that stores attested is fetched back."""
    trees: TreesOf = no_trees
    """Gives the folders of all rolls."""


class Proof(StrEnum):
    """Why a copy should be read again, or that it need not be."""

    NOT_WANTED = "not wanted"
    NEVER = "never"
    """It was written (or something speaks against it) and was not read since."""
    DUE = "due"
    NEIGHBOUR = "neighbour"
    """It is proven; but since then another file of its roll was found damaged on this drive."""
    AGEING = "ageing"
    """Its proof counts, but not for much longer."""
    VAIN = "vain"
    """It should be, but in this mount that would show nothing."""


TICK: Final = timedelta(microseconds=1)


def later(one: datetime | None, other: datetime | None) -> datetime | None:
    """The later of two moments, where there are any."""
    return max((at for at in (one, other) if at is not None), default=None)


NEAR: Final = timedelta(hours=24)
"""Damage on one evening is one find: what was read then need not be read again for it."""


def harmed_at(copies: Iterable[Copy]) -> dict[PlaceId, datetime]:
    """When damage was last found at each place, among these copies (mended since or not)."""
    found: dict[PlaceId, datetime] = {}
    for copy in copies:
        if copy.harmed_at is not None:
            found[copy.place] = max(found.get(copy.place, copy.harmed_at), copy.harmed_at)
    return found


def proof_wanted(copy: Copy, around: Circumstances, harmed: datetime | None = None) -> Proof:
    """Whether a copy should be proven again now.

    Args:
        copy: at an active place.
        around: see there.
        harmed: when damage was last found beside it (see ``harmed_at``).
    """
    wanted = Proof.NOT_WANTED
    if copy.state is CopyState.WRITTEN:
        wanted = Proof.NEVER
    elif copy.state is CopyState.DUE:
        wanted = Proof.DUE
    elif copy.state is CopyState.PROVEN and _is_neighbour(copy, harmed):
        wanted = Proof.NEIGHBOUR
    elif copy.state is CopyState.PROVEN and _is_ageing(copy, around):
        wanted = Proof.AGEING
    if wanted is not Proof.NOT_WANTED and _is_vain(copy, around):
        return Proof.VAIN
    return wanted


def _is_neighbour(copy: Copy, harmed: datetime | None) -> bool:
    """Whether damage was found beside it since it was read: errors cluster (STANDARDS section 5.1)."""
    if harmed is None or copy.proof is None or copy.proof.way not in {Way.READBACK, Way.REHASH}:
        return False
    return copy.proof.at < harmed - NEAR


def _is_ageing(copy: Copy, around: Circumstances) -> bool:
    if copy.proof is None:  # pragma: no cover - a proven copy has its proof
        return True
    seen, latest = copy.proof.at, copy.latest
    if copy.proof.way is Way.ATTESTED and latest is not None and latest.way is Way.LOOKED:
        seen = max(seen, latest.at)
    cutoff = around.cutoffs.get(copy.place)
    is_sample = sample_due(copy, around.now, around.sampling)
    if is_sample or (cutoff is not None and seen <= cutoff):
        return True
    proofs = [(seen, copy.proof.way)]
    if copy.sampled_at is not None and copy.sampled_at >= copy.proof.at:
        proofs.append((copy.sampled_at, Way.DOWNLOADED))
    policy, lead = around.policy, around.lead
    return all(around.now - at >= young_for(way, policy, lead) for at, way in proofs)


def young_for(way: Way, policy: Policy, lead: timedelta) -> timedelta:
    """For how long nothing needs to be done about a proof: its age less the lead, at least half."""
    age = policy.age_of(way)
    return max(age - lead, age / 2)


def _is_vain(copy: Copy, around: Circumstances) -> bool:
    """Whether the newest fact is a reading, or writing, of this very mount that was not cold."""
    latest = copy.latest
    return (
        latest is not None
        and latest.mount is not None
        and latest.mount == around.mounted.get(copy.place)
        and latest.way in {Way.REHASH, Way.READBACK, Way.WRITTEN}
        and not latest.cold
    )


@dataclass(kw_only=True)
class _Tally:
    """Counts of one roll at one place."""

    files: int = 0
    size_bytes: int = 0
    unproven_files: int = 0
    unproven_bytes: int = 0
    never_proven: bool = False
    ageing_files: int = 0
    ageing_bytes: int = 0
    damaged_files: int = 0
    missing_files: int = 0
    oldest_proof: datetime | None = None
    vain: bool = False
    neighbours: bool = False
    before: datetime | None = None
    mendable: dict[Needed, tuple[int, int]] = field(default_factory=dict)

    def standing(self) -> Standing:
        return Standing(
            files=self.files,
            size_bytes=self.size_bytes,
            unproven_files=self.unproven_files,
            unproven_bytes=self.unproven_bytes,
            never_proven=self.never_proven,
            ageing_files=self.ageing_files,
            ageing_bytes=self.ageing_bytes,
            damaged_files=self.damaged_files,
            missing_files=self.missing_files,
            oldest_proof=self.oldest_proof,
            vain=VAIN if self.vain else "",
            neighbours=self.neighbours,
            before=self.before,
            mendable=self.mendable,
        )


_Stands = tuple[tuple[PlaceId, CopyState], ...]


def _stands(copies: Iterable[Copy]) -> _Stands:
    return tuple((copy.place, copy.state) for copy in copies)


def need_of(
    roll: Roll, copies: Mapping[Blake3, Sequence[Copy]], around: Circumstances
) -> RollNeed | None:
    """What one roll needs; None where there is nothing to do and nothing to tell.

    Args:
        roll: sealed.
        copies: of all its contents, as ``core.policy.copies_of`` makes them.
        around: see there.
    """
    policy, places = around.policy, around.places
    roles = policy.roles or ALL_ROLES
    covered = cover(roll, copies, places, policy)
    lying = Lying(roll, copies, places, around.trees)
    found: dict[PlaceId, dict[PlaceId, int]] = {}
    wanted: dict[PlaceId, tuple[int, int]] = {}
    tallies: dict[PlaceId, _Tally] = {}
    fewest = len(roles)
    harmed = harmed_at(copy for file in roll.files for copy in lying.own(file))
    alike: dict[tuple[_Stands, _Stands], Lacks] = {}  # most files of a roll stand as others do
    for file in roll.files:
        every = copies.get(file.content, ())
        own = lying.own(file)
        stands = _stands(own), _stands(every)
        if stands not in alike:
            alike[stands] = lacks(own, every, places, policy)
        filled = alike[stands].filled
        fewest = min(fewest, len(filled))
        for copy in one_a_place(own, places):
            tally = tallies.setdefault(copy.place, _Tally())
            _count(tally, copy, file, filled, around, harmed.get(copy.place))
            if copy.state is CopyState.DAMAGED:
                _count_mendable(tally, copy, file, every, around)
        for target, whence in alike[stands].wanted.items():
            files, size = wanted.get(target, (0, 0))
            wanted[target] = files + 1, size + file.size
            sources = found.setdefault(target, {})
            for one in whence:
                sources[one] = sources.get(one, 0) + 1
    at = {place: tally.standing() for place, tally in tallies.items()}
    if not covered.gaps and not any(_is_news(standing) for standing in at.values()) and not wanted:
        return None
    return RollNeed(
        roll=roll.head,
        gaps=covered.gaps,
        fewest=fewest if roll.files else 0,
        wants={
            place: Want(files=files, size_bytes=size, sources=found[place])
            for place, (files, size) in wanted.items()
        },
        at=at,
        same_device=covered.same_device,
    )


def _is_news(standing: Standing) -> bool:
    return bool(
        standing.unproven_files
        or standing.ageing_files
        or standing.damaged_files
        or standing.missing_files
        or standing.vain
    )


def _count(
    tally: _Tally,
    copy: Copy,
    file: RollFile,
    filled: frozenset[Role],
    around: Circumstances,
    harmed: datetime | None,
) -> None:
    if copy.state is CopyState.MISSING:
        tally.missing_files += 1
        return
    tally.files += 1
    tally.size_bytes += file.size
    if copy.state is CopyState.DAMAGED:
        tally.damaged_files += 1
    if copy.proof is not None:
        tally.oldest_proof = min(tally.oldest_proof or copy.proof.at, copy.proof.at)
    wanted = proof_wanted(copy, around, harmed)
    if wanted is Proof.VAIN:
        tally.vain = True
    elif wanted is Proof.NEIGHBOUR:
        tally.unproven_files += 1
        tally.unproven_bytes += file.size
        tally.neighbours = True
        tally.before = later(tally.before, harmed - NEAR if harmed is not None else None)
    elif wanted is Proof.AGEING or (
        wanted is not Proof.NOT_WANTED and around.places[copy.place].role in filled
    ):
        tally.ageing_files += 1
        tally.ageing_bytes += file.size
        cutoff = around.cutoffs.get(copy.place)
        tally.before = later(tally.before, cutoff + TICK if cutoff is not None else None)
    elif wanted is not Proof.NOT_WANTED:
        tally.unproven_files += 1
        tally.unproven_bytes += file.size
        tally.never_proven |= wanted is Proof.NEVER


def _count_mendable(
    tally: _Tally,
    copy: Copy,
    file: RollFile,
    every: Sequence[Copy],
    around: Circumstances,
) -> None:
    """A damaged copy on a drive that other copies could make whole, if they were all here."""
    is_object = around.places[copy.place].kind is PlaceKind.BUCKET
    if is_object or copy.trouble is None or not is_mendable(copy.trouble):
        return
    if copy.latest is not None and copy.latest.result is Result.MATCHES and _is_vain(copy, around):
        tally.vain = True  # it came right, from the cache: mending would find that again and again
        return
    others = [
        (one.place, hurt(one, file.size))
        for one in every
        if one.state in THERE and (one.place, one.path) != (copy.place, copy.path)
    ]
    needed = needed_from(file.size, hurt(copy, file.size), others)
    if frozenset() in needed:
        return  # some of it nobody has right: a person must know, and nothing can be done
    files, size = tally.mendable.get(needed, (0, 0))
    tally.mendable[needed] = files + 1, size + file.size
