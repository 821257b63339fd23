"""Which objects are fetched back this year, and when: by hash and year alone, evenly."""

from collections import Counter
from datetime import UTC, datetime, timedelta, timezone
from functools import cache
from itertools import pairwise

import pytest
from blake3 import blake3
from hypothesis import given, strategies as st

from backupkeeper.core.model import Blake3
from backupkeeper.core.scrub import sample_moment

DAY: timedelta = timedelta(days=1)
MANY = 4000
NEW_YEAR: datetime = datetime(2027, 1, 1, tzinfo=UTC)


def content(number: int) -> Blake3:
    return Blake3(blake3(b"%d" % number).hexdigest())


contents = st.integers(0, 10**6).map(content)
moments = st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)).map(  # noqa: DTZ001 - zone below
    lambda at: at.replace(tzinfo=UTC)
)
percents = st.floats(0, 100)


@cache
def of_year(year: int, percent: float = 100) -> dict[int, datetime]:
    """The moments of that year, by content."""
    end = datetime(year, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)
    found = {}
    for number in range(MANY):
        moment = sample_moment(content(number), end, percent=percent)
        if moment is not None and moment.year == year:
            found[number] = moment
    return found


def test_all_have_a_moment_in_a_year_that_chooses_all_and_none_in_one_that_chooses_none() -> None:
    assert len(of_year(2026)) == MANY
    assert not of_year(2026, 0)


@pytest.mark.parametrize("percent", [0.5, 1, 10, 50])
def test_the_share_of_those_chosen_is_what_was_asked_for(percent: float) -> None:
    """Within four standard deviations of a binomial, over ten years of fixed contents."""
    chosen = sum(len(of_year(year, percent)) for year in range(2020, 2030))
    mean = 10 * MANY * percent / 100
    assert abs(chosen - mean) <= 4 * (mean * (1 - percent / 100)) ** 0.5


@pytest.mark.parametrize("year", [2026, 2027, 2028])
def test_they_are_spread_over_the_year_without_a_bunch(year: int) -> None:
    """Chi-square over 52 weeks: 51 degrees of freedom, 99.9 % quantile 87.97 (from memory)."""
    begin = datetime(year, 1, 1, tzinfo=UTC)
    length = datetime(year + 1, 1, 1, tzinfo=UTC) - begin
    weeks = Counter(int((at - begin) / length * 52) for at in of_year(year).values())
    mean = MANY / 52
    assert set(weeks) == set(range(52))
    assert sum((weeks[week] - mean) ** 2 / mean for week in range(52)) < 87.97


def test_each_year_chooses_others() -> None:
    """Of two independent tenths a hundredth is in both; of ten years two thirds are chosen at all."""
    years = [set(of_year(year, 10)) for year in range(2020, 2030)]
    both = [len(one & other) for one, other in pairwise(years)]
    assert sum(both) / len(both) == pytest.approx(MANY / 100, rel=0.3)
    assert len(set().union(*years)) == pytest.approx(MANY * (1 - 0.9**10), rel=0.05)


def test_when_in_the_year_has_nothing_to_do_with_being_chosen_or_with_the_last_year() -> None:
    chosen = of_year(2026, 10)
    begin = datetime(2026, 1, 1, tzinfo=UTC)
    middle = sum(((at - begin) / (365 * DAY) for at in chosen.values()), 0.0) / len(chosen)
    assert middle == pytest.approx(0.5, abs=4 * (1 / 12 / len(chosen)) ** 0.5)
    same = sum(
        1
        for number, at in of_year(2026).items()
        if abs((of_year(2027)[number] - at) - 365 * DAY) < 10 * DAY
    )
    assert same == pytest.approx(MANY * 20 / 365, rel=0.3)


@given(contents, moments, percents)
def test_it_has_passed_and_not_a_year_ago(one: Blake3, now: datetime, percent: float) -> None:
    moment = sample_moment(one, now, percent=percent)
    if moment is not None:
        assert timedelta(0) <= now - moment <= 366 * DAY


@given(contents, moments, percents)
def test_it_is_the_same_until_the_next_one_comes(
    one: Blake3, now: datetime, percent: float
) -> None:
    moment = sample_moment(one, now, percent=percent)
    if moment is None:
        return
    assert sample_moment(one, moment, percent=percent) == moment
    before = sample_moment(one, moment - timedelta.resolution, percent=percent)
    assert before is None or before < moment


@given(contents, moments, percents, percents)
def test_a_larger_sample_has_all_of_a_smaller_one(
    one: Blake3, now: datetime, few: float, many: float
) -> None:
    few, many = sorted((few, many))
    moment = sample_moment(one, now, percent=few)
    if moment is not None:
        later = sample_moment(one, now, percent=many)
        assert later is not None
        assert later >= moment


@given(contents, moments)
def test_where_all_are_chosen_there_always_is_one_but_after_an_early_and_a_late_moment(
    one: Blake3, now: datetime
) -> None:
    """Two years' moments may lie nearly two years apart; each calendar year has exactly one."""
    end_of_year = datetime(now.year, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)
    moment = sample_moment(one, end_of_year, percent=100)
    assert moment is not None
    assert moment.year == now.year


def test_the_year_is_that_of_utc_wherever_one_is() -> None:
    """20:00 on New Year's Day in UTC, where it still is the old year in the west."""
    west = timezone(timedelta(hours=-23))
    now = NEW_YEAR + timedelta(hours=20)
    early = {number: at for number, at in of_year(2027).items() if at <= now}
    assert early
    for number, at in early.items():
        assert sample_moment(content(number), now, percent=100) == at
        assert sample_moment(content(number), now.astimezone(west), percent=100) == at


def test_a_leap_year_is_used_up_to_its_last_day() -> None:
    late = [at for at in of_year(2028).values() if at >= datetime(2028, 12, 31, tzinfo=UTC)]
    assert late
    assert all(at.year == 2028 for at in late)


def test_the_first_and_the_last_year_of_the_calendar_are_no_trouble() -> None:
    first = datetime(1, 1, 1, tzinfo=UTC)
    last = datetime(9999, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)
    for number in range(20):
        assert sample_moment(content(number), first, percent=100) in {None, first}
        found = sample_moment(content(number), last, percent=100)
        assert found is not None
        assert found.year == 9999


def test_a_name_of_content_that_is_none_is_no_trouble() -> None:
    assert sample_moment(Blake3("\udc80"), NEW_YEAR, percent=0) is None


def test_these_moments_are_those_that_every_machine_finds() -> None:
    """Pinned: another release must not choose anew in the middle of a year."""
    found = [sample_moment(content(number), NEW_YEAR, percent=100) for number in range(2)]
    assert [moment and moment.isoformat() for moment in found] == [
        "2026-09-20T05:01:06.415427+00:00",
        "2026-06-12T15:46:03.374919+00:00",
    ]
