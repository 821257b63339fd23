"""Restore drills: whose turn it is, what came of the last one, and whether it is time for another. Pure.

A copy that was never brought back is a hope. NIST SP 800-53 CP-9(2) asks for restoring a sample as
part of testing; how often is the person's choice.

Promises:
1. No shoot has its turn again before all others had theirs; within a round chance decides.
2. A drill that could not be ended is no turn, and never counts as right.
3. ``drilled_of`` takes any text that an event may hold, and raises nothing.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final, TypeVar

from blake3 import blake3

from backupkeeper.core.model import Event, EventKind
from backupkeeper.core.restoring import Fate, RestoreOutcome

MONTH: Final = timedelta(days=30)
_T = TypeVar("_T")


class DrillResult(StrEnum):
    """How a drill ended."""

    RIGHT = "right"
    """Everything came back, as the catalog and the manifests want it."""
    WRONG = "wrong"
    """Something did not come back right."""
    UNFINISHED = "unfinished"
    """Something could not be reached, or is being thawed: nothing is shown by it."""
    BEGUN = "begun"
    """It began; nothing is known of its end."""
    DECLINED = "declined"
    """The daemon did not make it by itself: a person must."""


ENDED: Final = frozenset({DrillResult.RIGHT, DrillResult.WRONG})
"""Results that make a turn."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Drilled:
    """A drill that was made. ``place`` is the name of where it was restored from.

    ``folder`` is its scratch folder (where it began), ``why`` the reason (where it was declined).
    """

    shoot: str
    at: datetime
    round: int
    result: DrillResult
    place: str
    files: int = 0
    size_bytes: int = 0
    folder: str = ""
    why: str = ""

    @property
    def event(self) -> Event:
        """To be remembered."""
        told = asdict(self)
        del told["shoot"], told["at"]
        return Event(
            at=self.at, kind=EventKind.DRILLED, subject=self.shoot, detail=json.dumps(told)
        )


def drilled_of(event: Event) -> Drilled | None:
    """What an event tells of a drill; None where it tells nothing of that kind."""
    try:
        told = json.loads(event.detail)
        return Drilled(
            shoot=event.subject,
            at=event.at,
            round=int(told["round"]),
            result=DrillResult(told["result"]),
            place=str(told["place"]),
            files=int(told["files"]),
            size_bytes=int(told["size_bytes"]),
            folder=str(told.get("folder", "")),
            why=str(told.get("why", "")),
        )
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        return None


def next_turn(
    shoots: Iterable[str], drilled: Sequence[Drilled], chance: str
) -> tuple[str, int] | None:
    """Whose turn it is, and in which round; None where there is no shoot.

    Args:
        shoots: all that could be restored.
        drilled: every drill so far, in any order.
        chance: a random text.
    """
    left, this = turns_left(shoots, drilled)
    return (drawn(left, chance), this) if left else None


def drawn(turns: Sequence[_T], chance: str) -> _T:
    """One of them, as chance decides."""
    draw = int.from_bytes(blake3(chance.encode("utf-8", "surrogatepass")).digest()[:8], "big")
    return turns[draw % len(turns)]


def turns_left(shoots: Iterable[str], drilled: Sequence[Drilled]) -> tuple[list[str], int]:
    """The shoots that have not had their turn in this round, in order, and which round it is."""
    known = sorted(set(shoots))
    turns = [one for one in drilled if one.result in ENDED]
    this = max((one.round for one in turns), default=1)
    had = {one.shoot for one in turns if one.round == this}
    left = [shoot for shoot in known if shoot not in had]
    if not left:
        this += 1
        last = max(turns, key=lambda one: one.at).shoot if turns else ""
        left = [shoot for shoot in known if shoot != last] or known
    return left, this


def round_of(shoot: str, shoots: Iterable[str], drilled: Sequence[Drilled]) -> int:
    """The round in which a shoot that somebody chose has its turn."""
    left, this = turns_left(shoots, drilled)
    return this if shoot in left else max((one.round for one in drilled), default=1)


def interrupted(drilled: Sequence[Drilled], shoot: str, place: str) -> str:
    """The scratch folder of a drill of this shoot from this place that never ended; empty: none."""
    mine = [one for one in drilled if (one.shoot, one.place) == (shoot, place)]
    ends = [one.at for one in mine if one.result in ENDED]
    begun = [one for one in mine if one.result is DrillResult.BEGUN]
    last = max(begun, key=lambda one: one.at, default=None)
    return last.folder if last is not None and all(at < last.at for at in ends) else ""


def result_of(outcome: RestoreOutcome, *, verified: bool) -> DrillResult:
    """How a drill ended.

    Args:
        outcome: of the restore.
        verified: whether all that came back was found right once more, by its manifests alone.
    """
    if any(one.fate in {Fate.LOST, Fate.OTHER} for one in outcome.not_there):
        return DrillResult.WRONG
    if outcome.not_there or not outcome.restored_files + outcome.kept_files:
        return DrillResult.UNFINISHED
    return DrillResult.RIGHT if verified else DrillResult.WRONG


@dataclass(frozen=True, kw_only=True, slots=True)
class DrillOutcome:
    """What a drill came to. ``folder`` is the scratch folder; ``left`` what was not removed of it."""

    shoot: str
    place: str
    folder: str
    restored: RestoreOutcome
    result: DrillResult | None = None
    """None: it was not made."""
    left: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    seconds: float = 0.0


def last_of(drilled: Iterable[Drilled]) -> Drilled | None:
    """The newest drill that was ended."""
    ended = [one for one in drilled if one.result in ENDED]
    return max(ended, key=lambda one: one.at, default=None)


def is_time(last: Drilled | None, now: datetime, months: int) -> bool:
    """Whether another drill is due; ``months`` 0: never."""
    return months > 0 and (last is None or now - last.at >= months * MONTH)
