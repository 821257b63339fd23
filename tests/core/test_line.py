"""The person's rules for the line: windows with limits, pauses, metered lines."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.hours import Window
from backupkeeper.core.line import (
    METERED,
    PAUSED,
    WAITS_FOR_HOURS,
    Line,
    LineRule,
    LineWindow,
    Wishes,
    hindrance,
    line_at,
    share,
)

BERLIN = ZoneInfo("Europe/Berlin")
SLOW, SLOWER = 2_500_000, 500_000


def window(start: int, end: int, limit: int | None = None) -> LineWindow:
    return LineWindow(window=Window(start=time(start), end=time(end)), limit=limit)


DAY, NIGHT = window(7, 23, SLOW), window(23, 7)


def berlin(day: int, hour: int, minute: int = 0, month: int = 6) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=BERLIN).astimezone(UTC)


@pytest.mark.parametrize(
    ("rule", "hour", "is_open", "limit"),
    [
        (LineRule(), 12, True, None),
        (LineRule(limit=SLOW), 12, True, SLOW),
        (LineRule(windows=(DAY, NIGHT)), 12, True, SLOW),
        (LineRule(windows=(DAY, NIGHT)), 23, True, None),
        (LineRule(limit=SLOWER, windows=(DAY, NIGHT)), 12, True, SLOW),
        (LineRule(limit=SLOWER, windows=(DAY, NIGHT)), 23, True, SLOWER),
        (LineRule(windows=(DAY,)), 23, False, None),
        (LineRule(limit=SLOWER, windows=(DAY,)), 23, False, SLOWER),
        (LineRule(windows=(window(0, 12), window(8, 9, SLOW), window(8, 10, SLOWER))), 8, True, SLOWER),
    ],
    ids=[
        "no rule at all",
        "a limit at all hours",
        "a slow day",
        "all of it at night",
        "a window's own limit counts instead",
        "the general limit where a window has none",
        "outside of all windows",
        "by hand the general limit goes on",
        "the smallest of several",
    ],
)  # fmt: skip
def test_what_the_line_may_be_used_for(
    rule: LineRule, hour: int, is_open: bool, limit: int | None
) -> None:
    told = line_at(berlin(12, hour, 30), rule, BERLIN)
    assert (told.is_open, told.limit) == (is_open, limit)


def test_the_next_change_is_the_next_edge_by_the_wall_clock() -> None:
    rule = LineRule(windows=(DAY, NIGHT))
    assert line_at(berlin(12, 12), rule, BERLIN).changes_at == berlin(12, 23)
    # The clocks go forward on 29 March 2026 at 02:00: that night is an hour shorter.
    before = line_at(berlin(28, 23, month=3), rule, BERLIN)
    assert before.changes_at == berlin(29, 7, month=3)
    assert before.changes_at - berlin(28, 23, month=3) == timedelta(hours=7)
    assert line_at(berlin(12, 12), LineRule(limit=SLOW), BERLIN).changes_at is None


hours = st.integers(0, 23)
windows = st.builds(window, hours, hours, st.none() | st.integers(8000, 10**8)).filter(
    lambda one: one.window.start != one.window.end
)


@given(
    rule=st.builds(
        LineRule,
        limit=st.none() | st.integers(8000, 10**8),
        windows=st.lists(windows, max_size=4).map(tuple),
    ),
    now=st.integers(0, 364 * 24 * 60).map(
        lambda minutes: datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
    ),
    part=st.floats(0, 0.999),
)
def test_nothing_changes_before_it_was_said_to_change(
    rule: LineRule, now: datetime, part: float
) -> None:
    told = line_at(now, rule, BERLIN)
    if told.changes_at is None:
        assert rule.windows == ()
        return
    assert told.changes_at > now
    later = line_at(now + (told.changes_at - now) * part, rule, BERLIN)
    assert later == told
    if told.is_open and rule.windows:
        known = {rule.limit, *(one.limit for one in rule.windows)}
        assert told.limit in known, "no limit that nobody set"


def test_several_uploads_share_one_limit() -> None:
    assert [share(100, 1), share(100, 2), share(100, 0), share(None, 3)] == [100, 50, 100, None]


NOW = berlin(12, 12)
OPEN, CLOSED = Line(is_open=True, limit=None), Line(is_open=False, limit=None)


@pytest.mark.parametrize(
    ("line", "wishes", "why"),
    [
        (OPEN, Wishes(), ""),
        (OPEN, Wishes(is_metered=False), ""),
        (OPEN, Wishes(is_metered=True), METERED),
        (OPEN, Wishes(is_metered=True, on_metered=True), ""),
        (CLOSED, Wishes(is_metered=True), WAITS_FOR_HOURS),
        (CLOSED, Wishes(on_metered=True), WAITS_FOR_HOURS),
        (OPEN, Wishes(paused_until=NOW + timedelta(hours=1)), PAUSED),
        (CLOSED, Wishes(paused_until=NOW + timedelta(hours=1)), PAUSED),
        (OPEN, Wishes(paused_until=NOW), ""),
    ],
    ids=[
        "nothing",
        "a line that costs nothing",
        "a line that costs",
        "a line that costs, and it may",
        "the hours are told first",
        "a line that may cost opens no window",
        "a pause",
        "a pause is told before the hours",
        "a pause that is over",
    ],
)
def test_what_speaks_against_uploads(line: Line, wishes: Wishes, why: str) -> None:
    assert hindrance(line, wishes, NOW) == why
