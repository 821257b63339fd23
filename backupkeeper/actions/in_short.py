"""How many rolls fall short, what is damaged or missing where, and how much is still to be copied.

Promise: it says what ``core.needs.need_of`` says of every sealed roll from all its facts (a property
test holds the two against each other). Rolls whose files all stand at their own paths are told from
the sums, and their odd files fact by fact; others are looked at file by file.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from backupkeeper.actions.context import Context
from backupkeeper.actions.gaps import covers_of
from backupkeeper.actions.one_roll import trees_of
from backupkeeper.core.covers import FileGroup, Stands
from backupkeeper.core.deeds import RollNeed
from backupkeeper.core.lacking import lacks, one_a_place
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Place,
    PlaceId,
    Roll,
    RollFile,
    RollHead,
)
from backupkeeper.core.needs import Circumstances, need_of
from backupkeeper.core.policy import copies_of
from backupkeeper.core.sums import Home, RollSums


@dataclass(frozen=True, kw_only=True, slots=True)
class Hurt:
    """How many files of one roll are damaged at one place, and how many are missing there."""

    roll: RollHead
    place: PlaceId
    damaged_files: int
    missing_files: int


@dataclass(frozen=True, kw_only=True, slots=True)
class InShort:
    """``to_go_bytes``: of each roll what the place lacks that lacks most of it."""

    rolls: int
    rolls_with_gaps: int
    to_go_bytes: int
    hurt: tuple[Hurt, ...]


def in_short(context: Context) -> InShort:
    """All sealed rolls. Reads the catalog only."""
    places = {place.id: place for place in context.catalog.places()}
    now = context.clock.now()
    look = _Look(context, places, now)
    groups = context.catalog.file_groups(context.config.policy, now)
    covers = covers_of(context, places, now, groups)
    to_go, hurt = 0, list[Hurt]()
    for cover in covers:
        size, found = look.roll(cover.roll, groups.get(cover.roll.id, ()))
        to_go += size
        hurt += found
    return InShort(
        rolls=len(covers),
        rolls_with_gaps=sum(bool(cover.gaps) for cover in covers),
        to_go_bytes=to_go,
        hurt=tuple(hurt),
    )


def to_go(need: RollNeed) -> int:
    """Bytes that the place lacks of a roll that lacks most of it."""
    return max((want.size_bytes for want in need.wants.values()), default=0)


def hurt_of(needs: Iterable[RollNeed]) -> Iterator[Hurt]:
    """What is hurt, roll by roll and place by place."""
    return (
        Hurt(
            roll=need.roll,
            place=place,
            damaged_files=at.damaged_files,
            missing_files=at.missing_files,
        )
        for need in needs
        for place, at in sorted(need.at.items())
        if at.damaged_files or at.missing_files
    )


class _Look:
    """At one roll after the other."""

    def __init__(self, context: Context, places: Mapping[PlaceId, Place], now: datetime) -> None:
        self._context = context
        self._places = places
        self._policy = context.config.policy
        self._now = now
        self._sums = context.catalog.roll_sums()
        self._alike: dict[Stands, frozenset[PlaceId]] = {}

    def roll(self, head: RollHead, groups: Sequence[FileGroup]) -> tuple[int, list[Hurt]]:
        """Bytes that the place lacks that lacks most, and what is hurt where."""
        odd = [path for group in groups for path in group.paths]
        files = [file for file in self._whole(head).files if file.path in odd] if odd else []
        facts = self._context.catalog.facts_of(file.content for file in files)
        copies = copies_of(facts, self._places, self._policy, self._now)
        if not _lies_at_home(self._sums[head.id], head, files, copies):
            return self._by_facts(head)
        wanted: Counter[PlaceId] = Counter()
        damaged: Counter[PlaceId] = Counter()
        missing: Counter[PlaceId] = Counter()
        for group in groups:
            if group.is_plain:
                wanted.update(dict.fromkeys(self._wanted(group.stands), group.size_bytes))
        for file in files:
            found = copies.get(file.content, ())
            stands = tuple((copy.place, copy.state) for copy in found)
            wanted.update(dict.fromkeys(self._wanted(stands), file.size))
            for copy in one_a_place(found, self._places):
                damaged[copy.place] += copy.state is CopyState.DAMAGED
                missing[copy.place] += copy.state is CopyState.MISSING
        return max(wanted.values(), default=0), [
            Hurt(roll=head, place=place, damaged_files=damaged[place], missing_files=missing[place])
            for place in sorted(self._places)
            if damaged[place] or missing[place]
        ]

    def _wanted(self, stands: Stands) -> frozenset[PlaceId]:
        """Places that could be given one; most files stand as others do."""
        if stands not in self._alike:
            copies = [
                Copy(place=place, path="", content=Blake3(""), state=state)
                for place, state in stands
            ]
            wanted = lacks(copies, copies, self._places, self._policy).wanted
            self._alike[stands] = frozenset(wanted)
        return self._alike[stands]

    def _whole(self, head: RollHead) -> Roll:
        return self._context.catalog.roll(head.id)

    def _by_facts(self, head: RollHead) -> tuple[int, list[Hurt]]:
        facts = self._context.catalog.facts_of_roll(head.id)
        around = Circumstances(
            places=self._places,
            policy=self._policy,
            now=self._now,
            trees=partial(trees_of, self._context),
        )
        copies = copies_of(facts, self._places, self._policy, self._now)
        need = need_of(self._whole(head), copies, around)
        return (0, []) if need is None else (to_go(need), list(hurt_of([need])))


def _lies_at_home(
    sums: RollSums,
    head: RollHead,
    odd: Iterable[RollFile],
    copies: Mapping[Blake3, Sequence[Copy]],
) -> bool:
    """Whether every copy of each file lies at the file's own path."""
    return all(slot.home == Home.OWN for group in sums.groups for slot in group.slots) and all(
        copy.path == f"{head.folder}/{file.path}"
        for file in odd
        for copy in copies.get(file.content, ())
    )
