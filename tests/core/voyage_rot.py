"""What goes wrong with copies in a voyage, silently: the world knows, facts only once somebody read."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from backupkeeper.core.model import (
    BLOCK_BYTES,
    Fact,
    PlaceId,
    PlaceKind,
    Result,
    Roll,
    RollFile,
    Way,
)
from backupkeeper.core.ranges import Ranges, blocks_of, common, merged
from tests.core.voyage_parts import Rot

if TYPE_CHECKING:
    from tests.core.voyage import Voyage

BAD = frozenset(Result) - {Result.MATCHES, Result.MISSING}
BY_ITSELF = frozenset({Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE})
"""What may be mended without asking; said here again, for the laws use it."""


@dataclass(frozen=True)
class Stood:
    """One copy that stands somewhere, and the last thing that facts say of it."""

    place: PlaceId
    path: str
    file: RollFile
    roll: Roll
    last: Fact

    @property
    def spot(self) -> tuple[PlaceId, str]:
        return self.place, self.path


def copies_standing(voyage: "Voyage", roll: Roll) -> list[Stood]:
    """Every copy of a roll's files, from facts in the order in which they were told.

    Not ``core.policy``: the laws stand on this, so it is said again and more simply.
    """
    found = []
    for file in roll.files:
        last: dict[tuple[PlaceId, str], Fact] = {}
        for fact in voyage.facts.get(file.content, ()):
            if fact.way is not Way.LOOKED and fact.way is not Way.PART:
                last[fact.place, fact.path] = fact
        found += [
            Stood(place=place, path=path, file=file, roll=roll, last=fact)
            for (place, path), fact in last.items()
            if fact.result is not Result.MISSING
        ]
    return found


@lru_cache(maxsize=256)
def wrong_blocks(damage: Ranges, size: int) -> frozenset[int]:
    """Blocks of the file that are wrong (what a copy has beyond its end is none)."""
    return frozenset(blocks_of(common(damage, ((0, size),))))


def known_wrong(one: Stood) -> frozenset[int]:
    """As far as facts tell: all of it where they don't say."""
    if one.last.result not in BAD:
        return frozenset()
    return wrong_blocks(one.last.damage or ((0, one.file.size),), one.file.size)


def truly_wrong(voyage: "Voyage", one: Stood) -> frozenset[int]:
    """As it is."""
    rot = voyage.rot.get(one.spot)
    return wrong_blocks(rot.damage, one.file.size) if rot is not None else frozenset()


# -- what happens


def go_bad(voyage: "Voyage", one: Stood, result: Result, damage: Ranges) -> None:
    """A copy goes bad, or worse."""
    before = voyage.rot.get(one.spot)
    if before is not None:
        damage = merged([*before.damage, *damage])
        result = Result.CHANGED if Result.CHANGED in {result, before.result} else result
    since = before.since if before is not None else voyage.now
    voyage.rot[one.spot] = Rot(result=result, damage=damage, since=since)


def spoil(voyage: "Voyage") -> None:
    """One copy, several of one file, many of one roll, an edit, or a shaky cable."""
    standing = [one for roll in voyage.rolls.values() for one in copies_standing(voyage, roll)]
    if standing:
        one = voyage.chance.choice(standing)
        voyage.chance.choice(SPOILING)(voyage, one, standing)


def _one(voyage: "Voyage", one: Stood, _: list[Stood]) -> None:
    results = [Result.DAMAGED, Result.DAMAGED, Result.UNREADABLE, Result.CUT_OFF]
    result = voyage.chance.choice(results) if _is_on_drive(voyage, one) else Result.DAMAGED
    begin, end = _somewhere(voyage, one.file.size)[0]
    go_bad(voyage, one, result, ((begin, one.file.size if result is Result.CUT_OFF else end),))


def _some_copies(voyage: "Voyage", one: Stood, standing: list[Stood]) -> None:
    for each in _copies(voyage, one, standing):
        go_bad(voyage, each, Result.DAMAGED, _somewhere(voyage, one.file.size))


def _alike(voyage: "Voyage", one: Stood, standing: list[Stood]) -> None:
    damage = _somewhere(voyage, one.file.size)
    for each in _copies(voyage, one, standing):
        go_bad(voyage, each, Result.DAMAGED, damage)


def _a_roll(voyage: "Voyage", one: Stood, standing: list[Stood]) -> None:
    for each in standing:
        if each.roll == one.roll and each.place == one.place:
            go_bad(voyage, each, Result.DAMAGED, _somewhere(voyage, each.file.size))


def _an_edit(voyage: "Voyage", one: Stood, _: list[Stood]) -> None:
    if _is_on_drive(voyage, one):
        go_bad(voyage, one, Result.CHANGED, ((0, one.file.size + 7),))
        voyage.edits.add(one.spot)


def _shaky(voyage: "Voyage", one: Stood, _: list[Stood]) -> None:
    if _is_on_drive(voyage, one):
        go_bad(voyage, one, Result.UNSTABLE, _somewhere(voyage, one.file.size))


def _all_of_it(voyage: "Voyage", one: Stood, _: list[Stood]) -> None:
    if _is_on_drive(voyage, one):
        go_bad(voyage, one, Result.UNREADABLE, ((0, one.file.size),))


SPOILING: list[Callable[["Voyage", Stood, list[Stood]], None]] = [
    _one, _one, _some_copies, _alike, _a_roll, _an_edit, _shaky, _all_of_it,
]  # fmt: skip


def _is_on_drive(voyage: "Voyage", one: Stood) -> bool:
    return voyage.places[one.place].kind is PlaceKind.DRIVE


def _copies(voyage: "Voyage", one: Stood, standing: list[Stood]) -> list[Stood]:
    """Two or three copies of that file."""
    every = [each for each in standing if each.file == one.file]
    return voyage.chance.sample(every, min(len(every), voyage.chance.randint(2, 3)))


def _somewhere(voyage: "Voyage", size: int) -> Ranges:
    """A few bytes, or a few blocks, at one of few spots: so that copies are often hurt alike."""
    blocks = -(-size // BLOCK_BYTES)
    chance = voyage.chance
    at = chance.choice([0, 1, blocks // 2, blocks - 1])
    begin = at * BLOCK_BYTES + chance.choice([0, 512])
    end = begin + chance.choice([1, 4096, BLOCK_BYTES, 2 * BLOCK_BYTES])
    return ((begin, min(end, size)),)
