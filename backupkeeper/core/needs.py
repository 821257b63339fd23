"""What each roll lacks and what could be done about it, file by file.

Promises:
1. What is wanted here is what ``actions.mirror`` and ``actions.upload`` would bring: they ask the
   same function (``core.lacking``), so that no deed is planned that does nothing.
2. A copy that is there, whatever its state, is never wanted there again: it wants proving or mending.
3. A copy that reading again in this mount can't prove is not asked to be read again in it.
"""

from collections import Counter
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
    RollHead,
    Way,
)
from backupkeeper.core.policy import ALL_ROLES, Policy, best_per_role
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
    alike: dict["tuple[_Stands, _Stands]", "_Lacks"] = field(default_factory=dict, compare=False)
    """What was found of files that stand alike: most do, in all rolls."""


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
NOTHING: Final[Mapping[PlaceId, tuple[int, int]]] = {}


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Alike:
    """Files of one roll whose copies stand alike: what is said of one of them goes for each.

    ``own``: copies that are the roll's own (``core.lying``), of which none is damaged where there are several
    files; ``every``: all copies of such a content.
    """

    files: int
    size_bytes: int
    own: Sequence[Copy]
    every: Sequence[Copy]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Lacks:
    """What follows from where the copies of a file stand, and in which state."""

    lacks: Lacks
    same_device: bool


def need_of(
    roll: Roll, copies: Mapping[Blake3, Sequence[Copy]], around: Circumstances
) -> RollNeed | None:
    """What one roll needs; None where there is nothing to do and nothing to tell.

    Args:
        roll: sealed.
        copies: of all its contents, as ``core.policy.copies_of`` makes them.
        around: see there.
    """
    lying = Lying(roll, copies, around.places, around.trees)
    each = [
        Alike(
            files=1,
            size_bytes=file.size,
            own=lying.own(file),
            every=copies.get(file.content, ()),
        )
        for file in roll.files
    ]
    return need_from(roll.head, each, around)


def need_from(
    head: RollHead,
    files: Sequence[Alike],
    around: Circumstances,
    sampled: Mapping[PlaceId, tuple[int, int]] = NOTHING,
) -> RollNeed | None:
    """What one roll needs, from how its files stand; see ``need_of``.

    Args:
        head: of the roll.
        files: all its files, each in one of these.
        around: see there.
        sampled: number and bytes of objects that are to be fetched back, where ``around`` has no sampling.
    """
    roles = around.policy.roles or ALL_ROLES
    found: dict[PlaceId, Counter[PlaceId]] = {}
    wanted: dict[PlaceId, tuple[int, int]] = {}
    tallies: dict[PlaceId, _Tally] = {}
    fewest, gaps, same_device = len(roles), set[Role](), False
    harmed = harmed_at(copy for one in files for copy in one.own)
    for one in files:
        stand = _lacks(one, around)
        filled = stand.lacks.filled
        fewest = min(fewest, len(filled))
        gaps |= frozenset(roles) - filled
        same_device |= stand.same_device
        for copy in one_a_place(one.own, around.places):
            tally = tallies.setdefault(copy.place, _Tally())
            _count(tally, copy, one, filled, around, harmed.get(copy.place))
            if copy.state is CopyState.DAMAGED:
                _count_mendable(tally, copy, one, around)
        for target, whence in stand.lacks.wanted.items():
            count, size = wanted.get(target, (0, 0))
            wanted[target] = count + one.files, size + one.size_bytes
            found.setdefault(target, Counter()).update(dict.fromkeys(whence, one.files))
    for place in sampled.keys() & tallies.keys():  # what came in meanwhile is told the next time
        count, size = sampled[place]
        tallies[place].ageing_files += count
        tallies[place].ageing_bytes += size
    at = {place: tally.standing() for place, tally in tallies.items()}
    if files and not gaps and not any(map(_is_news, at.values())) and not wanted:
        return None
    return RollNeed(
        roll=head,
        gaps=tuple(role for role in dict.fromkeys(roles) if role in gaps or not files),
        fewest=fewest if files else 0,
        wants={
            place: Want(files=count, size_bytes=size, sources=dict(found[place]))
            for place, (count, size) in wanted.items()
        },
        at=at,
        same_device=same_device,
    )


def _lacks(one: Alike, around: Circumstances) -> _Lacks:
    stands = _stands(one.own), _stands(one.every)
    known = around.alike.get(stands)
    if known is None:
        places, policy = around.places, around.policy
        best = best_per_role(one.every, places, policy.roles or ALL_ROLES)
        made = lacks(one.own, one.every, places, policy)
        known = around.alike[stands] = _Lacks(
            lacks=made,
            same_device=any(
                proof.state is CopyState.PROVEN and role not in made.filled
                for role, proof in best.items()
            ),
        )
    return known


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
    one: Alike,
    filled: frozenset[Role],
    around: Circumstances,
    harmed: datetime | None,
) -> None:
    if copy.state is CopyState.MISSING:
        tally.missing_files += one.files
        return
    tally.files += one.files
    tally.size_bytes += one.size_bytes
    if copy.state is CopyState.DAMAGED:
        tally.damaged_files += one.files
    if copy.proof is not None:
        tally.oldest_proof = min(tally.oldest_proof or copy.proof.at, copy.proof.at)
    wanted = proof_wanted(copy, around, harmed)
    if wanted is Proof.VAIN:
        tally.vain = True
    elif wanted is Proof.NEIGHBOUR:
        tally.unproven_files += one.files
        tally.unproven_bytes += one.size_bytes
        tally.neighbours = True
        tally.before = later(tally.before, harmed - NEAR if harmed is not None else None)
    elif wanted is Proof.AGEING or (
        wanted is not Proof.NOT_WANTED and around.places[copy.place].role in filled
    ):
        tally.ageing_files += one.files
        tally.ageing_bytes += one.size_bytes
        cutoff = around.cutoffs.get(copy.place)
        tally.before = later(tally.before, cutoff + TICK if cutoff is not None else None)
    elif wanted is not Proof.NOT_WANTED:
        tally.unproven_files += one.files
        tally.unproven_bytes += one.size_bytes
        tally.never_proven |= wanted is Proof.NEVER


def _count_mendable(tally: _Tally, copy: Copy, file: Alike, around: Circumstances) -> None:
    """A damaged copy on a drive that other copies could make whole, if they were all here."""
    is_object = around.places[copy.place].kind is PlaceKind.BUCKET
    if is_object or copy.trouble is None or not is_mendable(copy.trouble):
        return
    if copy.latest is not None and copy.latest.result is Result.MATCHES and _is_vain(copy, around):
        tally.vain = True  # it came right, from the cache: mending would find that again and again
        return
    others = [
        (one.place, hurt(one, file.size_bytes))
        for one in file.every
        if one.state in THERE and (one.place, one.path) != (copy.place, copy.path)
    ]
    needed = needed_from(file.size_bytes, hurt(copy, file.size_bytes), others)
    if frozenset() in needed:
        return  # some of it nobody has right: a person must know, and nothing can be done
    files, size = tally.mendable.get(needed, (0, 0))
    tally.mendable[needed] = files + 1, size + file.size_bytes
