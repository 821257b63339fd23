"""Rates and times left: nothing before something was measured, newer work counting more."""

from datetime import timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.estimate import MOST_LEFT, Pace, left, pace_of

spans = st.lists(st.tuples(st.integers(0, 10**12), st.floats(0.1, 10**5)), min_size=1)


def test_nothing_is_said_before_something_was_measured() -> None:
    assert left(100, Pace()) is None
    assert left(100, pace_of([(0, 5.0)])) is None
    assert left(100, Pace().after(100, 0)) is None


def test_nothing_left_takes_no_time() -> None:
    assert left(0, Pace()) == timedelta(0)


def test_a_steady_pace_is_that_pace() -> None:
    pace = pace_of([(100, 1.0)] * 50)
    assert pace.bytes_a_second == pytest.approx(100)
    assert left(1000, pace) == timedelta(seconds=10)


def test_the_last_minutes_count_more_than_the_hour_before() -> None:
    pace = pace_of([(100 * 3600, 3600.0), (10 * 300, 300.0)])
    assert pace.bytes_a_second == pytest.approx(10, rel=0.1)


@given(spans)
def test_a_pace_lies_between_the_slowest_and_the_fastest(told: list[tuple[int, float]]) -> None:
    rates = [count / seconds for count, seconds in told]
    found = pace_of(told).bytes_a_second
    assert min(rates) * 0.999 <= found <= max(rates) * 1.001


def test_a_time_beyond_all_bounds_is_a_bound() -> None:
    assert left(10**18, Pace(bytes_a_second=1e-3, weight=1.0)) == MOST_LEFT
