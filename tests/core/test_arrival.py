"""When a bucket will have all: a range that keeps its promises."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.arrival import (
    HORIZON,
    LEAST_SPREAD,
    NOT_MEASURED,
    RECENT,
    UNSURE_SPREAD,
    Arrival,
    Rates,
    Sample,
    arrival,
    expected,
    reached,
)
from backupkeeper.core.hours import Window
from backupkeeper.core.line import LineRule, LineWindow

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 6, 12, 16, tzinfo=UTC)  # a Friday, 18:00 in Berlin
MB, GB = 10**6, 10**9
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def window(start: int, end: int, limit: int | None = None) -> LineWindow:
    return LineWindow(window=Window(start=time(start), end=time(end)), limit=limit)


def sample(
    rate: float, *, seconds: float = 600, limit: float | None = None, ago: float = 1
) -> Sample:
    return Sample(
        at=NOW - ago * HOUR, byte_count=max(1, round(rate * seconds)), seconds=seconds, limit=limit
    )


# -- what to expect


def test_nothing_measured_is_nothing_known() -> None:
    assert expected([], NOW) is None
    old = [sample(MB, ago=24 * 15), sample(MB, seconds=0), sample(MB, ago=-1)]
    assert expected(old, NOW) is None
    assert arrival("Off site", GB, None, LineRule(), NOW, UTC) == Arrival(
        place="Off site", to_go=GB, why=NOT_MEASURED
    )


def test_little_measured_is_less_sure_than_much() -> None:
    assert expected([sample(MB)], NOW) == Rates(
        slow=MB * (1 - UNSURE_SPREAD), fast=MB * (1 + UNSURE_SPREAD)
    )
    much = [sample(MB, ago=hour / 2) for hour in range(10)]
    assert expected(much, NOW) == Rates(slow=MB * (1 - LEAST_SPREAD), fast=MB * (1 + LEAST_SPREAD))


def test_what_a_limit_made_slow_says_nothing_where_the_line_was_seen_free() -> None:
    by_day = [sample(2.4 * MB, limit=2.5 * MB, ago=hour) for hour in range(2, 12)]
    by_night = [sample(10 * MB, ago=20 + hour / 6) for hour in range(6)]
    rates = expected([*by_day, *by_night], NOW)
    assert rates is not None
    assert rates.slow > 8 * MB
    only = expected(by_day, NOW)
    assert only is not None
    assert 2 * MB < only.slow < 2.4 * MB < only.fast
    slower_than_its_limit = [sample(MB, limit=2.5 * MB)]
    assert expected(slower_than_its_limit, NOW) is not None


def test_one_hour_in_which_nothing_went_right_does_not_count_for_all() -> None:
    rates = expected([*(sample(MB, ago=n) for n in range(1, 10)), sample(1, ago=10)], NOW)
    assert rates is not None
    assert rates.slow == pytest.approx(MB * (1 - LEAST_SPREAD))


rates_seen = st.lists(st.floats(0.1, 1), min_size=1, max_size=12)


@given(rates_seen, st.floats(1, 4))
def test_what_differs_more_gives_a_wider_range(parts: list[float], times: float) -> None:
    def spread_out(by: float) -> Rates:
        found = expected([sample(MB * part**by, ago=n + 1) for n, part in enumerate(parts)], NOW)
        assert found is not None
        return found

    narrow, wide = spread_out(1), spread_out(times)
    assert wide.fast / wide.slow >= narrow.fast / narrow.slow * 0.999
    assert narrow.slow < narrow.fast


@given(st.lists(st.tuples(st.floats(1, 1e9), st.floats(0.1, 3600), st.floats(0, 400)), max_size=60))
def test_the_range_lies_within_what_was_seen_and_its_least_spread(
    found: list[tuple[float, float, float]],
) -> None:
    seen = [sample(rate, seconds=s, ago=ago) for rate, s, ago in found]
    rates = expected(seen, NOW)
    recent = [one.rate for one in seen if NOW - one.at <= RECENT]
    if rates is None:
        assert recent == []
        return
    assert min(recent) * (1 - UNSURE_SPREAD) <= rates.slow < rates.fast
    assert rates.fast <= max(recent) * (1 + UNSURE_SPREAD)


# -- when that is


def test_without_windows_it_is_bytes_by_rate() -> None:
    assert reached(36 * GB, 10 * MB, LineRule(), NOW, UTC) == NOW + HOUR
    assert reached(36 * GB, 10 * MB, LineRule(limit=5 * MB), NOW, UTC) == NOW + 2 * HOUR
    shared = reached(36 * GB, 10 * MB, LineRule(limit=5 * MB), NOW, UTC, uploads=2)
    assert shared == NOW + 4 * HOUR


def test_a_closed_window_is_waited_for_and_a_limit_of_its_own_counts() -> None:
    rule = LineRule(windows=(window(23, 7),))
    assert reached(36 * GB, 10 * MB, rule, NOW, BERLIN) == NOW + 6 * HOUR  # 23:00 and an hour
    both = LineRule(windows=(window(7, 23, 2 * MB), window(23, 7)))
    # Five hours at 2 MB/s are 36 GB; the other 36 GB take an hour of the night.
    assert reached(72 * GB, 10 * MB, both, NOW, BERLIN) == NOW + 6 * HOUR


@pytest.mark.parametrize(
    ("day", "hours"), [(datetime(2026, 3, 28, 22, tzinfo=UTC), 7), (datetime(2026, 10, 24, 21, tzinfo=UTC), 9)]
)  # fmt: skip
def test_a_night_in_which_the_clocks_change_is_as_long_as_it_is(day: datetime, hours: int) -> None:
    """23:00 to 07:00 in Berlin: 29 March 2026 and 25 October 2026 (IANA time zone database)."""
    rule = LineRule(windows=(window(23, 7),))
    whole = hours * 3600 * MB
    end = day + hours * HOUR
    assert end.astimezone(BERLIN).hour == 7
    assert reached(whole, MB, rule, day, BERLIN) == end
    after = reached(whole + MB, MB, rule, day, BERLIN)
    assert after is not None
    assert after.astimezone(BERLIN).hour == 23, "the rest waits for the next night"


def test_what_takes_longer_than_anybody_can_foresee_is_not_said() -> None:
    assert reached(10**15, MB, LineRule(), NOW, UTC) is None
    nearly = int(MB * HORIZON.total_seconds())
    assert reached(nearly, MB, LineRule(), NOW, UTC) == NOW + HORIZON
    told = arrival("Off site", nearly, Rates(slow=MB / 2, fast=MB * 2), LineRule(), NOW, UTC)
    assert told.earliest is not None
    assert told.latest is None


hours = st.integers(0, 23)
windows = st.builds(window, hours, hours, st.none() | st.integers(MB, 5 * MB)).filter(
    lambda one: one.window.start != one.window.end
)
rules = st.builds(
    LineRule,
    limit=st.none() | st.integers(MB, 5 * MB),
    windows=st.lists(windows, min_size=1, max_size=3).map(tuple),
)
moments = st.integers(0, 365 * 24 * 60).map(lambda n: datetime(2026, 1, 1, tzinfo=UTC) + n * MINUTE)


@given(rules, moments, st.integers(0, 300 * GB), st.floats(0.5, 1), st.floats(1, 2))
def test_never_before_now_and_windows_only_ever_add(
    rule: LineRule, now: datetime, to_go: int, slower: float, faster: float
) -> None:
    rates = Rates(slow=4 * MB * slower, fast=4 * MB * faster)
    told = arrival("Off site", to_go, rates, rule, now, BERLIN)
    free = arrival("Off site", to_go, rates, LineRule(), now, BERLIN)
    assert free.earliest is not None
    assert free.earliest >= now
    if told.earliest is not None:
        assert told.earliest >= free.earliest
        assert told.latest is None or told.latest >= told.earliest
    more = arrival("Off site", to_go + GB, rates, rule, now, BERLIN)
    if told.latest is not None and more.latest is not None:
        assert more.latest >= told.latest
