"""What a receipt states: the verdict on a card, and where, when and how each copy was proven.

Promises:
1. Everything comes from the same listing, reading and copies that the verdict was made of: a receipt
   can't say more, or of another time, than its verdict.
2. A copy counts as proven here only in the state ``proven``; every other is counted by its state.
3. Every file of the listing is there, also one that could not be read (without digests).
4. Rolls: the fewest that hold all of the card's files that any of the given rolls hold, those by whose
   own paths they lie on the card first.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from backupkeeper.core.model import (
    Blake3,
    CardFile,
    CardListing,
    Copy,
    CopyState,
    Place,
    PlaceId,
    Role,
    Roll,
    RollHead,
    RollId,
    Standing,
    Way,
    Xxh128,
)
from backupkeeper.core.outcomes import Verdict
from backupkeeper.core.verdict import Evidence

_POSITION = {state: position for position, state in enumerate(CopyState)}


@dataclass(frozen=True, kw_only=True, slots=True)
class CopyStand:
    """The best copy of one of the card's files at one place.

    ``way``, ``at`` and ``evidence`` are those of the proof that counts (states ``proven`` and ``due``);
    ``sampled_at`` is when an object was last fetched back whole, and matched.
    """

    place: PlaceId
    path: str
    state: CopyState
    way: Way | None = None
    at: datetime | None = None
    evidence: str = ""
    sampled_at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class StatedFile:
    """One file of the card. Without digests it could not be read whole; ``error`` may say why."""

    path: str
    size: int
    blake3: Blake3 | None
    xxh128: Xxh128 | None
    copies: tuple[CopyStand, ...]
    error: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ProofSpan:
    """The files that were proven at one place in one way: how many, and from when to when."""

    way: Way
    files: int
    first: datetime
    last: datetime
    evidence: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaceStand:
    """How the card's files stand at one place. ``states`` counts every file with known content.

    ``files`` and ``bytes`` are what is proven. ``samples`` are those among them that the store
    attested and that were fetched back since. ``looked_at``: the place answered just now, and each of
    these copies was there with the right size; nothing was read.
    """

    place: Place
    files: int
    bytes: int
    states: Mapping[CopyState, int]
    proofs: tuple[ProofSpan, ...]
    samples: ProofSpan | None
    looked_at: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class RootHash:
    """The directory hashes of a roll's folder in one format, as ASC MHL computes them."""

    format: str
    content: str
    structure: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ManifestStand:
    """The manifests of a roll at one place.

    ``name`` and ``c4`` are those of the newest one in the chain, ``generations`` how many there are,
    ``rooted`` the newest one with ``roots`` (one that a part of the roll was checked for has none).
    ``why_not`` tells why nothing is stated; all else is empty then.
    """

    place: PlaceId
    name: str = ""
    c4: str = ""
    generations: int = 0
    rooted: str = ""
    roots: tuple[RootHash, ...] = ()
    why_not: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class RollStand:
    """A roll that holds files of the card, and how many of them."""

    head: RollHead
    of_card: int
    manifests: tuple[ManifestStand, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Judged:
    """A verdict with all that it was made of. ``looked_at`` are the places that answered just now."""

    verdict: Verdict
    listing: CardListing
    read: tuple[CardFile, ...]
    evidence: Evidence
    looked_at: frozenset[PlaceId] = frozenset()
    label: str | None = None
    """Name of the card's file system, where the card is one and has a name."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Receipt:
    """All that a receipt states; ``program`` is the name and version of what made it."""

    verdict: Verdict
    label: str | None
    program: str
    distinct_devices: bool
    files: tuple[StatedFile, ...]
    places: tuple[PlaceStand, ...]
    rolls: tuple[RollStand, ...]

    @property
    def read_files(self) -> int:
        """Files whose every byte was read just now."""
        return sum(file.blake3 is not None for file in self.files)


@dataclass(frozen=True, kw_only=True, slots=True)
class Receipted:
    """A verdict, and where its receipt was written. ``trouble``: why it was not, or not whole."""

    verdict: Verdict
    page: str | None
    """Path of the page; None where only JSON was asked for, or it was not written."""
    data: str | None
    """Path of the JSON; None where it was not written."""
    trouble: str = ""


def receipt_of(
    judged: Judged, rolls: Iterable[RollStand], *, program: str, distinct_devices: bool
) -> Receipt:
    """Put a receipt together.

    Args:
        judged: the verdict and what it was made of.
        rolls: those that hold the card's files, with what their manifests say.
        program: name and version.
        distinct_devices: whether the policy asked for a physical device for each role.
    """
    read = {file.path: file for file in judged.read}
    places = judged.evidence.places
    files = tuple(
        _stated(entry.path, entry.size, read.get(entry.path), judged.evidence.copies, places)
        for entry in judged.listing.files
    )
    stands = (_place_stand(place, files, judged.looked_at) for place in places.values())
    return Receipt(
        verdict=judged.verdict,
        label=judged.label,
        program=program,
        distinct_devices=distinct_devices,
        files=files,
        places=tuple(
            sorted(
                (one for one in stands if _matters(one)),
                key=lambda one: (tuple(Role).index(one.place.role), one.place.name, one.place.id),
            )
        ),
        rolls=tuple(rolls),
    )


def _stated(
    path: str,
    size: int,
    read: CardFile | None,
    copies: Mapping[Blake3, Sequence[Copy]],
    places: Mapping[PlaceId, Place],
) -> StatedFile:
    if read is None or read.content is None or read.error is not None or read.size != size:
        error = "not read, or it changed" if read is None or read.error is None else read.error
        return StatedFile(path=path, size=size, blake3=None, xxh128=None, copies=(), error=error)
    best: dict[PlaceId, Copy] = {}
    for copy in copies.get(read.content, ()):
        if copy.place not in best or _worth(copy) < _worth(best[copy.place]):
            best[copy.place] = copy
    return StatedFile(
        path=path,
        size=size,
        blake3=read.content,
        xxh128=read.xxh128,
        copies=tuple(_copy_stand(best[place]) for place in places if place in best),
    )


def _worth(copy: Copy) -> tuple[int, float, str]:
    """Smaller is better: by state, then the newest proof, as the verdict chooses; then by path."""
    newest = copy.proof.at.timestamp() if copy.proof is not None else 0.0
    return _POSITION[copy.state], -newest, copy.path


def _copy_stand(copy: Copy) -> CopyStand:
    proof = copy.proof
    return CopyStand(
        place=copy.place,
        path=copy.path,
        state=copy.state,
        way=None if proof is None else proof.way,
        at=None if proof is None else proof.at,
        evidence="" if proof is None else proof.evidence,
        sampled_at=copy.sampled_at,
    )


def _place_stand(
    place: Place, files: Sequence[StatedFile], looked_at: Collection[PlaceId]
) -> PlaceStand:
    states: Counter[CopyState] = Counter()
    spans: dict[Way, list[CopyStand]] = {}
    samples: list[CopyStand] = []
    size = 0
    for file in files:
        if file.blake3 is None:
            continue
        mine = next((copy for copy in file.copies if copy.place == place.id), None)
        states[CopyState.ABSENT if mine is None else mine.state] += 1
        if mine is not None and mine.state is CopyState.PROVEN and mine.way is not None:
            size += file.size
            spans.setdefault(mine.way, []).append(mine)
            if mine.way is Way.ATTESTED and mine.sampled_at is not None:
                samples.append(replace(mine, at=mine.sampled_at, evidence=""))
    return PlaceStand(
        place=place,
        files=states[CopyState.PROVEN],
        bytes=size,
        states={state: states[state] for state in CopyState if states[state]},
        proofs=tuple(_span(way, spans[way]) for way in Way if way in spans),
        samples=_span(Way.DOWNLOADED, samples) if samples else None,
        looked_at=place.id in looked_at,
    )


def _span(way: Way, copies: Sequence[CopyStand]) -> ProofSpan:
    times = [copy.at for copy in copies if copy.at is not None]
    return ProofSpan(
        way=way,
        files=len(copies),
        first=min(times),
        last=max(times),
        evidence=tuple(sorted({copy.evidence for copy in copies if copy.evidence})),
    )


def _matters(stand: PlaceStand) -> bool:
    """A place that counts, or that holds, or held, anything of the card."""
    held = any(state is not CopyState.ABSENT for state in stand.states)
    return held or stand.place.standing is Standing.ACTIVE


def rolls_telling(files: Iterable[CardFile], rolls: Iterable[Roll]) -> tuple[tuple[Roll, int], ...]:
    """The fewest rolls that hold the card's files, each with how many of them it stands for.

    Args:
        files: of the card, as they were read.
        rolls: all that hold any of their contents.
    """
    left = {(file.path, file.content) for file in files if file.content is not None}
    chosen: dict[RollId, tuple[Roll, int]] = {}
    waiting = sorted(rolls, key=lambda roll: (roll.head.sealed_at, roll.head.folder))
    for by_path in (True, False):
        # Under another path a roll that is told anyway may hold a file too.
        for roll, number in tuple(chosen.values()):
            found = _held(roll, left, by_path=by_path)
            chosen[roll.head.id] = (roll, number + len(found))
            left -= found
        while left:
            held = [_held(roll, left, by_path=by_path) for roll in waiting]
            most = max(range(len(held)), key=[len(one) for one in held].__getitem__, default=None)
            if most is None or not held[most]:
                break
            roll = waiting.pop(most)
            chosen[roll.head.id] = (roll, len(held[most]))
            left -= held[most]
    return tuple(chosen.values())


def _held(
    roll: Roll, files: Collection[tuple[str, Blake3]], *, by_path: bool
) -> set[tuple[str, Blake3]]:
    if by_path:
        return set(files) & {(file.path, file.content) for file in roll.files}
    contents = {file.content for file in roll.files}
    return {one for one in files if one[1] in contents}
