"""Which restore drill the daemon makes by itself, and why it does not make another. Pure.

Promises:
1. No shoot has its turn again before all others had theirs; chance decides, the same for equal facts.
2. A drill that was interrupted goes on before another begins.
3. What the month's budget (of the sample, which it shares) does not hold is never begun, and told with
   the command that makes it by hand.
4. What the daemon looked at and declined is not looked at again for a day.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import Deed, DeedKind, DrillDue, View
from backupkeeper.core.drilling import ENDED, Drilled, DrillResult, drawn, interrupted, turns_left
from backupkeeper.core.line import WAITS_FOR_HOURS
from backupkeeper.core.model import PlaceId
from backupkeeper.core.prices import Prices
from backupkeeper.core.sampling import Budget, fetch_cost, next_month
from backupkeeper.core.typed import typed
from backupkeeper.core.wish import Wish, Wishes

DECLINED_FOR: Final = timedelta(days=1)
WHY: Final = "No shoot was brought back for too long: does one come back whole?"
_SETTINGS: Final = "[proofs] bucket_month_gb and bucket_month_cost"


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """A shoot as a bucket has it. ``name`` is the bucket's."""

    shoot: str
    place: PlaceId
    name: str
    size_bytes: int
    files: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Allowance:
    """What drills may fetch. ``fetched``: bytes and files of this month, by bucket."""

    folder: str
    budget: Budget = field(default_factory=Budget)
    prices: Prices = field(default_factory=Prices)
    fetched: Mapping[PlaceId, tuple[int, int]] = field(default_factory=dict)

    def holds(self, place: PlaceId | None, size_bytes: int, files: int) -> bool:
        """Whether so much may be fetched: on top of what was (None: in a month without any)."""
        size, count = self.fetched.get(place, (0, 0)) if place is not None else (0, 0)
        size, count = size + size_bytes, count + files
        if self.budget.size_bytes is not None and size > self.budget.size_bytes:
            return False
        if self.budget.cost is None:
            return True
        cost = fetch_cost(self.prices, size, count)
        return cost is not None and cost <= self.budget.cost

    def command(self, shoot: str) -> str:
        """What makes a drill by hand."""
        return f"To make it, type: backupkeeper drill {typed(shoot)} --to {typed(self.folder)}"


def choose(
    candidates: Iterable[Candidate], noted: Sequence[Drilled], allowance: Allowance, now: datetime
) -> DrillDue | None:
    """Whose turn it is; None where there is nothing to drill with.

    Args:
        candidates: every shoot of every bucket that counts.
        noted: all that is known of drills, in any order.
        allowance: see there.
        now: the present time.
    """
    known = sorted(candidates, key=lambda one: (one.shoot, one.place))
    shoots, number = turns_left({one.shoot for one in known}, noted)
    mine = [one for one in known if one.shoot in shoots]
    # What is going on already comes first, then what may be, then what needs nothing but time.
    mine.sort(key=lambda one: not interrupted(noted, one.shoot, one.name))
    judged = [_judged(one, noted, allowance, now) for one in mine]
    ready = [one for one in judged if not one.why_not]
    if ready:
        begun = interrupted(noted, mine[0].shoot, mine[0].name)
        if begun and not judged[0].why_not:
            return judged[0]
        last = max((one.at for one in noted if one.result in ENDED), default=None)
        return drawn(ready, f"{number} {last}")
    return min(judged, key=lambda one: (one.at is None, one.at or now, one.shoot), default=None)


def _judged(
    one: Candidate, noted: Sequence[Drilled], allowance: Allowance, now: datetime
) -> DrillDue:
    why_not, at = _obstacle(one, noted, allowance, now)
    return DrillDue(
        place=one.place,
        shoot=one.shoot,
        size_bytes=one.size_bytes,
        files=one.files,
        why_not=why_not,
        at=at,
    )


def _obstacle(
    one: Candidate, noted: Sequence[Drilled], allowance: Allowance, now: datetime
) -> tuple[str, datetime | None]:
    size = f"{one.size_bytes / 1e9:,.1f} GB"
    if not allowance.holds(None, one.size_bytes, one.files):
        return (
            (
                f"{one.shoot} has {size} in {one.name}: more than a month's budget holds "
                f"({_SETTINGS}), or a price is missing. {allowance.command(one.shoot)}"
            ),
            None,
        )
    declined = [
        told
        for told in noted
        if (told.shoot, told.place) == (one.shoot, one.name)
        and told.result is DrillResult.DECLINED
        and abs(now - told.at) < DECLINED_FOR
    ]
    if declined:
        last = max(declined, key=lambda told: told.at)
        return f"{last.why} {allowance.command(one.shoot)}", last.at + DECLINED_FOR
    if not allowance.holds(one.place, one.size_bytes, one.files):
        why = f"{one.shoot} ({size}) waits for next month's budget ({_SETTINGS})."
        return why, next_month(now)
    return "", None


def drill_wish(view: View, found: Wishes) -> Iterator[Wish]:
    """The drill that is due, where it can be made by itself now."""
    due = view.drill
    if due is None:
        return
    deed = Deed(
        kind=DeedKind.DRILL,
        why=WHY,
        place=due.place,
        shoot=due.shoot,
        size_bytes=due.size_bytes,
        files=due.files,
    )
    if due.why_not:
        found.wait(deed, due.why_not, due.at, person=due.at is None)
    elif not view.hours.may_upload:
        found.wait(deed, view.hours.no_upload or WAITS_FOR_HOURS, view.hours.changes_at)
    else:
        yield Wish(deed=deed)
