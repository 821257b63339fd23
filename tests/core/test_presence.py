"""Nights, and on which of them a drive was here: over changes of the clocks, gaps and odd orders."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.hours import Window, is_in, span_of_day
from backupkeeper.core.presence import nights_before, nights_here

BERLIN = ZoneInfo("Europe/Berlin")
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
NIGHT = Window(start=time(1), end=time(6))
LATE = Window(start=time(22), end=time(7))
LEFT_OUT = Window(start=time(2), end=time(3))
"""On the last Sunday of March the clocks leave it out (common practice in Europe)."""
zones = st.sampled_from(
    [BERLIN, UTC, *(ZoneInfo(n) for n in ("America/New_York", "Australia/Lord_Howe", "Asia/Tokyo"))]
)
times = st.times().map(lambda at: at.replace(second=0, microsecond=0))
windows = st.none() | st.builds(Window, start=times, end=times)
moments = st.datetimes(datetime(2026, 1, 5), datetime(2027, 1, 5)).map(  # noqa: DTZ001 - zone below
    lambda at: at.replace(tzinfo=UTC)
)


def berlin(month: int, day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=BERLIN).astimezone(UTC)


def test_tonight_is_no_night_before_and_it_began_when_its_window_did() -> None:
    nights, begun = nights_before(NIGHT, berlin(6, 12, 3), BERLIN, 3)
    assert begun == berlin(6, 12, 1)
    assert nights == [(berlin(6, day, 1), berlin(6, day, 6)) for day in (11, 10, 9)]


def test_by_day_the_present_night_is_still_the_one_that_began_last() -> None:
    for now in (berlin(6, 12, 6), berlin(6, 12, 18), berlin(6, 13, 0, 59)):
        nights, begun = nights_before(NIGHT, now, BERLIN, 1)
        assert (nights[0][0], begun) == (berlin(6, 11, 1), berlin(6, 12, 1))
    assert nights_before(NIGHT, berlin(6, 13, 1), BERLIN, 1)[1] == berlin(6, 13, 1)


def test_a_night_over_midnight_is_one_night() -> None:
    for now in (berlin(6, 12, 23), berlin(6, 13, 5), berlin(6, 13, 21, 59)):
        nights, begun = nights_before(LATE, now, BERLIN, 1)
        assert begun == berlin(6, 12, 22)
        assert nights == [(berlin(6, 11, 22), berlin(6, 12, 7))]


def test_without_a_window_a_night_is_a_day_of_the_person() -> None:
    nights, begun = nights_before(None, berlin(3, 30, 12), BERLIN, 2)
    assert begun == berlin(3, 30, 0)
    assert nights == [(berlin(3, day, 0), berlin(3, day + 1, 0)) for day in (29, 28)]
    assert [end - start for start, end in nights] == [23 * HOUR, 24 * HOUR]


def test_a_night_that_the_clocks_leave_out_is_none() -> None:
    start, end = span_of_day(LEFT_OUT, berlin(3, 29, 12).date(), BERLIN)
    assert start == end  # there is no such hour on that day
    nights, _ = nights_before(LEFT_OUT, berlin(3, 31, 12), BERLIN, 3)
    assert [night[0] for night in nights] == [berlin(3, day, 2) for day in (30, 28, 27)]
    assert nights_before(LEFT_OUT, berlin(3, 29, 12), BERLIN, 1)[1] == berlin(3, 28, 2)


@given(windows, moments, zones, st.integers(0, 90))
def test_nights_are_so_many_newest_first_apart_and_over_or_begun_before_tonight(
    window: Window | None, now: datetime, tz: ZoneInfo, count: int
) -> None:
    nights, begun = nights_before(window, now, tz, count)
    assert len(nights) == count
    assert begun <= now
    assert now - begun <= 50 * HOUR
    starts = [begun, *(start for start, _ in nights)]
    for later, (start, end) in zip(starts, nights, strict=False):
        assert start < end <= later
    if window is not None:
        assert all(is_in(window, start, tz) for start, _ in nights)


# -- here

NIGHTS = nights_before(NIGHT, berlin(6, 12, 12), BERLIN, 4)[0]
"""Those of the 11th, 10th, 9th and 8th."""


def awake(*days: int) -> list[datetime]:
    return [berlin(6, day, 3) for day in days]


def test_a_drive_that_came_and_stayed_was_here_on_each_night_that_somebody_saw() -> None:
    came = [(berlin(6, 1, 12), True)]
    assert nights_here(NIGHTS, awake(8, 9, 10, 11), came) == (4, 4)
    assert nights_here(NIGHTS, [berlin(6, 1, 12), *awake(9, 11)], came) == (2, 4)


def test_nothing_is_known_before_the_first_that_was_seen() -> None:
    came = [(berlin(6, 9, 12), True)]
    assert nights_here(NIGHTS, awake(10, 11), came) == (2, 2)
    assert nights_here(NIGHTS, [], came) == (0, 0)
    assert nights_here(NIGHTS, awake(10, 11), []) == (0, 0)


def test_a_drive_that_went_is_away_until_it_comes_again() -> None:
    seen = [(berlin(6, 7, 12), True), (berlin(6, 8, 12), False), (berlin(6, 10, 12), True)]
    assert nights_here(NIGHTS, awake(8, 9, 10, 11), seen) == (2, 4)
    gone = [(berlin(6, 8, 0), False)]
    assert nights_here(NIGHTS, awake(8, 9), gone) == (0, 4)


@pytest.mark.parametrize(("moment", "here"), [(NIGHTS[1][0], 1), (NIGHTS[1][1], 0)])
def test_a_night_has_its_first_moment_and_not_the_one_after_its_last(
    moment: datetime, here: int
) -> None:
    assert nights_here(NIGHTS, [moment], [(berlin(6, 1, 0), True)]) == (here, 4)


def test_a_night_that_ended_when_the_first_was_seen_is_not_known() -> None:
    first = NIGHTS[1][1]
    assert nights_here(NIGHTS, [first], [(first, True)]) == (0, 1)


hours_of_ten_days = st.integers(0, 10 * 24).map(lambda hour: berlin(6, 1, 0) + hour * HOUR)


@given(
    st.lists(hours_of_ten_days, max_size=30).map(sorted),
    st.lists(st.tuples(hours_of_ten_days, st.booleans()), max_size=8, unique_by=lambda s: s[0]),
)
def test_it_was_here_on_the_nights_with_a_moment_awake_whose_last_word_is_that_it_came(
    ticks: list[datetime], seen: list[tuple[datetime, bool]]
) -> None:
    seen = sorted(seen)
    here = 0
    for start, end in NIGHTS:
        words = [[came for at, came in seen if at <= tick] for tick in ticks if start <= tick < end]
        here += any(said[-1:] == [True] for said in words)
    found, known = nights_here(NIGHTS, ticks, seen)
    if seen and ticks:
        first = min(seen[0][0], ticks[0])
        assert known == sum(end > first for _, end in NIGHTS)
        assert found == here
    else:
        assert (found, known) == (0, 0)
    assert found <= known
