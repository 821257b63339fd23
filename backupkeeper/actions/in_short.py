"""How many rolls fall short, what is damaged or missing where, and how much is still to be copied.

Promise: it says what ``core.needs.need_of`` says of every sealed roll from all its facts (a property
test holds the two against each other). It comes from the survey, but for what hangs on mounts and on the sample.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from backupkeeper.actions.context import Context
from backupkeeper.actions.survey import Surveyor
from backupkeeper.core.deeds import RollNeed
from backupkeeper.core.model import PlaceId, RollHead
from backupkeeper.core.sampling import NO_SAMPLING


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
    surveyor = Surveyor(context)
    needs = surveyor.survey({}, sampling=NO_SAMPLING)
    return InShort(
        rolls=surveyor.rolls,
        rolls_with_gaps=sum(bool(need.gaps) for need in needs),
        to_go_bytes=sum(map(to_go, needs)),
        hurt=tuple(hurt_of(needs)),
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
