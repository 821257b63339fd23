"""On how many of the last nights a drive was here, as far as the daemon, being awake, saw it. Pure."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Final

from backupkeeper.core.hours import Span, Window, span_of_day

_DAY = timedelta(days=1)
ALIVE: Final = "daemon"
"""Subject of the ``seen`` events that say that the daemon was awake."""


def nights_before(
    window: Window | None, now: datetime, tz: tzinfo, count: int
) -> tuple[list[Span], datetime]:
    """The last nights, tonight not counted, newest first, and when the present one began.

    Args:
        window: in which proofs are made; None: all day, and a night is a day.
        now: the present time.
        tz: the person's.
        count: how many.
    """
    today = now.astimezone(tz).date()
    spans = [span_of_day(window, today - days * _DAY, tz) for days in range(-1, count + 4)]
    # The clocks may leave out a whole window, once in spring: that is no night.
    begun = [span for span in spans if span[0] <= now and span[0] < span[1]]
    return begun[1 : count + 1], begun[0][0]


def nights_here(
    nights: Sequence[Span],
    awake: Sequence[datetime],
    seen: Sequence[tuple[datetime, bool]],
) -> tuple[int, int]:
    """On how many nights the drive was here, and of how many anything is known.

    Args:
        nights: spans, newest first.
        awake: moments at which the daemon was awake, oldest first.
        seen: when the drive came (True) or went (False), oldest first.
    """
    if not seen or not awake:
        return 0, 0
    moments = [at for at, _ in seen]
    first = min(moments[0], awake[0])
    known = [night for night in nights if night[1] > first]
    here = 0
    for begin, end in known:
        ticks = awake[bisect_left(awake, begin) : bisect_left(awake, end)]
        here += any(_is_here(seen, moments, at) for at in ticks)
    return here, len(known)


def _is_here(
    seen: Sequence[tuple[datetime, bool]], moments: Sequence[datetime], at: datetime
) -> bool:
    before = bisect_right(moments, at)
    return before > 0 and seen[before - 1][1]
