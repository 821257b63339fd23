"""The span of one day: its window, or the whole of it, whatever the clocks do."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.hours import Window, is_in, span_of_day

BERLIN = ZoneInfo("Europe/Berlin")
HOUR, MINUTE, DAY = timedelta(hours=1), timedelta(minutes=1), timedelta(days=1)
zones = st.sampled_from(
    [BERLIN, UTC, *(ZoneInfo(n) for n in ("America/New_York", "Australia/Lord_Howe", "Asia/Tokyo"))]
)
days = st.dates(date(2026, 1, 1), date(2027, 12, 31))
times = st.times().map(lambda at: at.replace(second=0, microsecond=0))
windows = st.builds(Window, start=times, end=times)


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 6, 12), 24), (date(2026, 10, 25), 25)]
)
def test_without_a_window_it_is_the_persons_whole_day(day: date, hours: int) -> None:
    start, end = span_of_day(None, day, BERLIN)
    assert start == datetime.combine(day, time(0), tzinfo=BERLIN)
    assert end - start == hours * HOUR


@given(days, zones)
def test_days_join_without_a_gap(day: date, tz: ZoneInfo) -> None:
    assert span_of_day(None, day, tz)[1] == span_of_day(None, day + DAY, tz)[0]


@given(windows, days, zones)
def test_a_windows_span_begins_on_its_day_and_is_no_longer_than_a_day(
    window: Window, day: date, tz: ZoneInfo
) -> None:
    start, end = span_of_day(window, day, tz)
    assert start <= end <= start + 25 * HOUR
    assert start.astimezone(tz).date() == day
    if start < end:
        assert is_in(window, start, tz)
        assert is_in(window, end - MINUTE, tz)


def test_a_window_over_midnight_ends_on_the_next_day_and_an_equal_one_too() -> None:
    day = date(2026, 6, 12)
    for end, hours in ((time(7), 9), (time(22), 24)):
        span = span_of_day(Window(start=time(22), end=end), day, BERLIN)
        assert span[1] - span[0] == hours * HOUR
        assert span[1].astimezone(BERLIN).date() == date(2026, 6, 13)
