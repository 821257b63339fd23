"""The line belongs to the person: when uploads may go on, and how much of it they may take. Pure.

Promises:
1. Windows are in the person's own time; where several are open at once the smallest limit counts.
2. What can't be known (whether the line is metered) holds nothing up; what is known does.
3. Before ``Line.changes_at`` nothing of this changes by time alone.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Final

from backupkeeper.core.hours import Window, is_in, next_edge

CLOSED: Final = 0.0
"""As a limit: nothing may pass."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LineWindow:
    """A part of the day in which uploads may go on. ``limit``: bytes a second; None: the general one."""

    window: Window
    limit: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class LineRule:
    """What a person set: ``limit`` in bytes a second (None: the whole line); no window: always.

    With ``always`` windows only say limits: a person's own command goes on whatever the hour.
    """

    limit: int | None = None
    windows: tuple[LineWindow, ...] = ()
    always: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """What the rule says at one instant. ``limit``: bytes a second, None: the whole line."""

    is_open: bool
    limit: int | None
    changes_at: datetime | None = None


def line_at(now: datetime, rule: LineRule, tz: tzinfo) -> Line:
    """Whether uploads may go on, how fast, and when that changes next.

    Args:
        now: the present time.
        rule: what the person set.
        tz: where the person is.
    """
    windows = [one.window for one in rule.windows]
    open_now = [one for one in rule.windows if is_in(one.window, now, tz)]
    limits = [rule.limit if one.limit is None else one.limit for one in open_now]
    return Line(
        is_open=bool(open_now) or not windows or rule.always,
        # Outside of all windows only a person's own command sends: it keeps to the general limit.
        limit=smallest(limits) if open_now else rule.limit,
        changes_at=next_edge(windows, now, tz),
    )


def smallest(limits: Iterable[int | None]) -> int | None:
    """The smallest of several limits; None (no limit) is larger than any."""
    return min((limit for limit in limits if limit is not None), default=None)


def share(limit: float | None, uploads: int) -> float | None:
    """What one of several uploads that go on at once may take, in bytes a second."""
    return None if limit is None else limit / max(1, uploads)


@dataclass(frozen=True, kw_only=True, slots=True)
class Wishes:
    """What else speaks against uploads: a pause that the person asked for, a line that costs."""

    paused_until: datetime | None = None
    is_metered: bool | None = None
    """None: not known."""
    on_metered: bool = False
    """Whether uploads go on all the same."""


WAITS_FOR_HOURS: Final = "It waits for the hours in which uploads may go on."
METERED: Final = (
    "The line is metered: what is sent may cost money. Uploads wait for another line, or for "
    "[upload] on_metered = true."
)
PAUSED: Final = "You asked for a pause of uploads. To go on, type: backupkeeper resume"


def hindrance(line: Line, wishes: Wishes, now: datetime) -> str:
    """Why no upload may go on now; no text: they may."""
    if wishes.paused_until is not None and now < wishes.paused_until:
        return PAUSED
    if not line.is_open:
        return WAITS_FOR_HOURS
    return METERED if wishes.is_metered and not wishes.on_metered else ""
