"""What a roll needs, from its sums instead of file by file. Pure.

Promise: where ``need_in_sum`` answers, the answer is that of ``core.needs.need_of`` from all facts (property
tests hold them against each other). It does not answer where copies lie in the roll's folder under other names,
where a copy that lies elsewhere may stand in for the roll's own, where a date is in the future, and where it hangs
on the mount that a drive has now.

How: of each group two made-up files are judged, one with the earliest of all dates and one with the latest. Every
rule asks on which side of an edge dates lie, so where both are judged alike all files between them are. Where they
are not, the files are cut into groups in which they are (``core.dividing``).
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import RollNeed
from backupkeeper.core.dividing import divided
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.lying import THERE
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    RollFile,
    RollHead,
    Way,
)
from backupkeeper.core.needs import (
    Alike,
    Circumstances,
    Proof,
    harmed_at,
    need_from,
    proof_wanted,
)
from backupkeeper.core.policy import copy_of
from backupkeeper.core.sampling import NO_SAMPLING, Drawn, comes_round, sample_since
from backupkeeper.core.sums import Group, Home, Kind, RollSums, Slot, micros

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_ATTESTED: Final = frozenset({int(Kind.ATTESTED), int(Kind.BOTH)})


@dataclass(frozen=True, kw_only=True, slots=True)
class Looked:
    """Some files of a roll, looked at fact by fact; ``copies`` as ``core.policy.copies_of`` makes them."""

    files: Sequence[RollFile]
    facts: Sequence[Fact]
    copies: Mapping[Blake3, Sequence[Copy]]


Look = Callable[[Collection[str]], Looked]
"""Looks at the files of these paths."""


@dataclass(frozen=True, kw_only=True, slots=True)
class InSum:
    """What one roll needs.

    ``facts`` are those whose ages it follows from, ``odd`` the copies that were looked at, ``whole`` the buckets in which each of its files is
    proven in its own tree, ``absent`` the places on which it hangs that they are not mounted.
    """

    need: RollNeed | None
    facts: tuple[Fact, ...]
    odd: Mapping[Blake3, Sequence[Copy]]
    whole: frozenset[PlaceId]
    absent: frozenset[PlaceId]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Stand:
    """One copy of each file of a group, as every file of it has it: the earliest, its slot, and whence."""

    slot: Slot
    copy: Copy
    wanted: Proof
    facts: tuple[Fact, ...]

    @property
    def is_own(self) -> bool:
        return self.slot.home == Home.OWN

    @property
    def may_be_sampled(self) -> bool:
        """Whether nothing but the sample could ask for it to be fetched back."""
        is_well = self.copy.state is CopyState.PROVEN and self.wanted is Proof.NOT_WANTED
        return is_well and self.slot.kind in _ATTESTED


def may_be_sampled(sums: RollSums, places: Mapping[PlaceId, Place]) -> bool:
    """Whether any object of a roll in a bucket may have its turn to be fetched back."""
    return any(
        slot.kind in _ATTESTED and slot.place in places
        for group in sums.groups
        for slot in group.slots
    ) or bool(sums.odd)


def need_in_sum(
    head: RollHead,
    sums: RollSums,
    around: Circumstances,
    look: Look,
    each: Callable[[], RollSums],
    drawn: Sequence[Drawn],
) -> InSum | None:
    """What a roll needs; None: it takes more than sums to say.

    Args:
        head: of a sealed roll.
        sums: of the roll.
        around: see there.
        look: at files of the roll.
        each: gives the same sums with a group for each file.
        drawn: files of the roll that have their turn to be fetched back, each turn that counts now.
    """
    quiet = replace(around, sampling=NO_SAMPLING)
    odd = _odd(head, look(sums.odd))
    if odd is None or not sums.files:
        return None
    harmed = harmed_at(copy for one in odd.files for copy in odd.own[one.path])
    told = _judged(sums, each, lambda group: _stands(group, quiet, harmed))
    if told is None:
        return None
    stands = [found for _, found in told]
    alike = [
        *(
            Alike(
                files=group.files,
                size_bytes=group.size_bytes,
                own=[one.copy for one in found if one.is_own],
                every=[one.copy for one in found],
            )
            for group, found in told
        ),
        *(
            Alike(
                files=1,
                size_bytes=file.size,
                own=odd.own[file.path],
                every=odd.copies.get(file.content, ()),
            )
            for file in odd.files
        ),
    ]
    if _may_stand_in(alike, around):
        return None
    sampled = _sampled(
        stands,
        frozenset(sums.odd),
        around,
        lambda paths: _only_sampled(look(paths), around, head),
        drawn,
    )
    if sampled is None:
        return None
    return InSum(
        need=need_from(head, alike, quiet, sampled),
        facts=(
            *odd.facts,
            *(fact for found in stands for one in found for fact in one.facts),
        ),
        odd=odd.copies,
        whole=frozenset(
            place.id
            for place in around.places.values()
            if place.kind is PlaceKind.BUCKET and all(_is_proven(one, place.id) for one in alike)
        ),
        absent=frozenset(
            one.copy.place for found in stands for one in found if one.slot.warm and one.is_own
        ),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Odd(Looked):
    """``own``: by path, copies of a file at its own path."""

    own: Mapping[str, Sequence[Copy]]


def _odd(head: RollHead, looked: Looked) -> _Odd | None:
    """Odd files; None: a copy lies, or should lie, in the roll's folder under another name."""
    begin = f"{head.folder}/"
    own: dict[str, list[Copy]] = {}
    for file in looked.files:
        here = [copy for copy in looked.copies.get(file.content, ()) if copy.path.startswith(begin)]
        homes = possible_paths(head.folder, [file.path])[file.path]
        if begin + file.path not in homes or any(copy.path != begin + file.path for copy in here):
            return None
        own[file.path] = here
    return _Odd(files=looked.files, facts=looked.facts, copies=looked.copies, own=own)


def _is_proven(files: Alike, place: PlaceId) -> bool:
    return any(copy.place == place and copy.state is CopyState.PROVEN for copy in files.own)


def _judged(
    sums: RollSums, each: Callable[[], RollSums], judge: Callable[[Group], "list[_Stand] | None"]
) -> "list[tuple[Group, list[_Stand]]] | None":
    """Groups of files that are judged alike; None: of one of them nothing can be said."""
    if any(slot.home == Home.FOLDER for group in sums.groups for slot in group.slots):
        return None
    told = [(group, judge(group)) for group in sums.groups]
    whole = [(group, found) for group, found in told if found is not None]
    return whole if len(whole) == len(told) else divided(each().groups, judge)


def _stands(
    group: Group, around: Circumstances, harmed: Mapping[PlaceId, datetime]
) -> list[_Stand] | None:
    """How every file of a group stands."""
    found = []
    now = micros(around.now)
    for slot in group.slots:
        place = around.places.get(slot.place)
        if place is None:
            continue
        first, last = _facts(slot, is_last=False), _facts(slot, is_last=True)
        if slot.latest > now or first is None or last is None:
            return None
        copies = [copy_of(one, place, around.policy, around.now) for one in (first, last)]
        own = slot.home == Home.OWN
        wanted = [
            proof_wanted(copy, around, harmed.get(slot.place)) if own else Proof.NOT_WANTED
            for copy in copies
        ]
        if (copies[0].state, wanted[0]) != (copies[1].state, wanted[1]) or _way(copies[0]) != _way(
            copies[1]
        ):
            return None
        if slot.warm and wanted[0] is not Proof.NOT_WANTED and slot.place in around.mounted:
            return None  # whether that would show anything hangs on the mount
        found.append(_Stand(slot=slot, copy=copies[0], wanted=wanted[0], facts=(*first, *last)))
    return found


def _way(copy: Copy) -> Way | None:
    return copy.proof.way if copy.proof is not None else None


def _facts(slot: Slot, *, is_last: bool) -> list[Fact] | None:
    """The facts that count of a made-up copy: with the earliest dates of all, or the latest.

    None: of some files a look may be the last word, and of others that they were fetched back.
    """
    base = slot.base_last if is_last else slot.base
    seen = slot.seen_last if is_last else slot.seen
    fetched = slot.fetched_last if is_last else slot.fetched
    match slot.kind:
        case Kind.NONE:
            return [_fact(slot, Way.WRITTEN, slot.latest)]
        case Kind.READ:
            return [_fact(slot, Way.REHASH, base)]
        case Kind.FETCHED:
            return [_fact(slot, Way.DOWNLOADED, base)]
        case Kind.ATTESTED:
            more: list[Fact] = []
        case _:
            if slot.seen < slot.fetched_last and slot.fetched <= slot.seen_last:
                return None
            more = [_fact(slot, Way.DOWNLOADED, fetched)]
    looks = [_fact(slot, Way.LOOKED, seen)] if seen > base else []
    return [_fact(slot, Way.ATTESTED, base), *more, *looks]


def _fact(slot: Slot, way: Way, at: int) -> Fact:
    return Fact(
        at=_EPOCH + timedelta(microseconds=at),
        place=slot.place,
        path="",
        content=Blake3(""),
        way=way,
        result=Result.MATCHES,
        cold=way is Way.REHASH,
    )


def _may_stand_in(alike: Sequence[Alike], around: Circumstances) -> bool:
    """Whether a copy elsewhere on a drive may stand in for one that is not in the roll's own folder."""
    astray: set[PlaceId] = set()
    for one in alike:
        own = {copy.place for copy in one.own if copy.state in THERE}
        astray |= {
            copy.place
            for copy in one.every
            if copy not in one.own
            and copy.place not in own
            and around.places[copy.place].kind is not PlaceKind.BUCKET
        }
    count: Counter[PlaceId] = Counter()
    missing: set[PlaceId] = set()
    for one in alike:
        there = {copy.place for copy in one.every if copy.state in THERE}
        count.update(dict.fromkeys(there, one.files))
        missing |= {copy.place for copy in one.every if copy.state is CopyState.MISSING}
    files = sum(one.files for one in alike)
    return any(2 * count[place] > files or place in missing for place in astray)


def _sampled(
    stands: Sequence[Sequence[_Stand]],
    odd: Collection[str],
    around: Circumstances,
    look: Callable[[Collection[str]], Iterator[tuple[PlaceId, RollFile]]],
    drawn: Sequence[Drawn],
) -> dict[PlaceId, tuple[int, int]] | None:
    """Number and bytes of objects that only the sample asks for, by bucket; None: not known.

    ``look`` gives, of the files of some paths, those that only the sample asks for, and where.
    """
    turns = _latest(drawn, around)
    files: Counter[PlaceId] = Counter()
    size: Counter[PlaceId] = Counter()
    unclear: dict[str, set[PlaceId]] = {path: set(around.places) for path in turns.keys() & odd}
    for place, asked in _asked(stands, around).items():
        if any(comes_round(around.now, _at(_last(one)[0]), around.sampling) for one in asked):
            return None
        is_all = len(asked) == len(stands)
        for path in turns.keys() - odd:
            is_due = _is_due(micros(turns[path].moment), asked, is_all=is_all)
            if is_due is None:
                unclear.setdefault(path, set()).add(place)
            elif is_due:
                files[place] += 1
                size[place] += turns[path].size_bytes
    for place, file in look(unclear) if unclear else ():
        if place in unclear[file.path]:
            files[place] += 1
            size[place] += file.size
    return {place: (count, size[place]) for place, count in files.items()}


def _latest(drawn: Iterable[Drawn], around: Circumstances) -> dict[str, Drawn]:
    """The latest turn that each file has had and that counts now, by path."""
    since = sample_since(around.now, around.sampling)
    past = [one for one in drawn if since <= one.moment <= around.now]
    return {one.path: one for one in sorted(past, key=lambda one: one.moment)}


def _asked(stands: Iterable[Iterable[_Stand]], around: Circumstances) -> dict[PlaceId, list[Slot]]:
    """The slots, one a group, of which nothing but the sample could ask anything, by bucket."""
    asked: dict[PlaceId, list[Slot]] = {}
    for group in stands:
        for one in group:
            if one.may_be_sampled and one.copy.place not in around.sampling.spent:
                asked.setdefault(one.copy.place, []).append(one.slot)
    return asked


def _is_due(moment: int, asked: Iterable[Slot], *, is_all: bool) -> bool | None:
    """Whether an object that had its turn then is to be fetched back; None: it hangs on which group it is in."""
    bounds = [_last(one) for one in asked]
    if moment <= min(first for first, _ in bounds):
        return False
    return True if is_all and moment > max(last for _, last in bounds) else None


def _last(slot: Slot) -> tuple[int, int]:
    """When objects were last sent or fetched back: the first and the last of these moments."""
    if slot.kind != Kind.BOTH:
        return slot.base, slot.base_last
    return max(slot.base, slot.fetched), max(slot.base_last, slot.fetched_last)


def _at(moment: int) -> datetime:
    return _EPOCH + timedelta(microseconds=moment)


def _only_sampled(
    looked: Looked, around: Circumstances, head: RollHead
) -> Iterator[tuple[PlaceId, RollFile]]:
    """Files that only the sample asks for, and in which bucket."""
    quiet = replace(around, sampling=NO_SAMPLING)
    for file in looked.files:
        for copy in looked.copies.get(file.content, ()):
            is_own = copy.path == f"{head.folder}/{file.path}"
            if (
                is_own
                and proof_wanted(copy, quiet) is Proof.NOT_WANTED
                and proof_wanted(copy, around) is Proof.AGEING
            ):
                yield copy.place, file
