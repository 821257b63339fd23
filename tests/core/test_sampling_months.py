"""The monthly sample: every object within the years that a person sets, even months, a budget."""

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from blake3 import blake3
from hypothesis import given, settings, strategies as st

from backupkeeper.core.model import Blake3, Copy, CopyState, Fact, PlaceId, Result, Way
from backupkeeper.core.prices import Prices
from backupkeeper.core.sampling import (
    GRACE,
    NO_SAMPLING,
    Budget,
    Sampling,
    is_spent,
    month_begin,
    month_moment,
    outlook,
    sample_due,
    spent_of,
)

DAY = timedelta(days=1)
VAULT = PlaceId("vault")
MOMENTS = st.integers(0, 70 * 366).map(lambda n: datetime(2020, 1, 1, 7, tzinfo=UTC) + n * DAY)
CONTENTS = st.integers(0, 10**9).map(lambda n: Blake3(blake3(b"%d" % n).hexdigest()))
YEARS = st.integers(1, 10)
PRICES = Prices(fetch_gb=Decimal("0.1"), requests_1000=Decimal("0.5"))


def sent(content: Blake3, at: datetime, way: Way = Way.ATTESTED) -> Copy:
    proof = Fact(at=at, place=VAULT, path="a", content=content, way=way, result=Result.MATCHES)
    return Copy(
        place=VAULT, path="a", content=content, state=CopyState.PROVEN, proof=proof, latest=proof
    )


@given(CONTENTS, MOMENTS, YEARS, st.integers(1, 60))
@settings(max_examples=60)
def test_every_object_is_fetched_back_within_the_years_by_whoever_looks_often_enough(
    content: Blake3, at: datetime, years: int, every_days: int
) -> None:
    copy, last = sent(content, at), at
    wanted = Sampling(years=years)
    gaps = []
    now = at
    while now < at + 3 * years * timedelta(days=366):
        now += every_days * DAY
        if sample_due(copy, now, wanted):
            gaps.append(now - last)
            last = now
            copy = replace(copy, sampled_at=now)
    assert len(gaps) in {2, 3, 4}
    assert max(gaps) <= years * timedelta(days=366) + every_days * DAY


@given(CONTENTS, MOMENTS, YEARS)
def test_an_object_has_one_month_of_a_cycle_and_keeps_it(
    content: Blake3, now: datetime, years: int
) -> None:
    moment = month_moment(content, now, years)
    assert timedelta(0) <= now - moment <= years * timedelta(days=366) + 31 * DAY
    assert month_moment(content, moment, years) == moment
    before = month_moment(content, moment - timedelta(microseconds=1), years)
    assert (before.year + years, before.month) == (moment.year, moment.month)


@pytest.mark.parametrize("years", [1, 3])
def test_months_get_even_shares(years: int) -> None:
    now = datetime(2026, 11, 28, tzinfo=UTC)
    total = 6000
    months = Counter(
        (moment.year, moment.month)
        for n in range(total)
        for moment in [month_moment(Blake3(blake3(b"%d" % n).hexdigest()), now, years)]
    )
    share = total / (12 * years)
    # The running month may be split between two cycles; five deviations of a binomial share.
    spread = 5 * share**0.5
    assert 12 * years <= len(months) <= 12 * years + 1
    assert max(months.values()) <= share + spread
    assert all(count >= share - spread for month, count in months.items() if month[1] != now.month)


def test_turning_it_on_asks_for_no_more_than_the_last_months() -> None:
    now = datetime(2026, 11, 28, tzinfo=UTC)
    total, due = 3000, 0
    for n in range(total):
        copy = sent(Blake3(blake3(b"%d" % n).hexdigest()), now - 700 * DAY)
        due += sample_due(copy, now, Sampling(years=5))
    assert due / total == pytest.approx(GRACE / (5 * 366 * DAY), rel=0.3)


def test_what_is_not_attested_or_over_budget_is_not_sampled() -> None:
    now = datetime(2026, 11, 28, tzinfo=UTC)
    content = Blake3("0" * 64)
    old = sent(content, now - 1200 * DAY)
    assert sample_due(old, now, Sampling(years=1))
    assert not sample_due(old, now, Sampling(years=1, spent=frozenset({VAULT})))
    assert not sample_due(old, now, NO_SAMPLING)
    assert not sample_due(replace(old, proof=None), now, Sampling(years=1))
    assert not sample_due(sent(content, now - 1200 * DAY, Way.DOWNLOADED), now, Sampling(years=1))


@pytest.mark.parametrize(
    ("budget", "size", "files", "spent"),
    [
        (Budget(), 10**15, 10**6, False),
        (Budget(size_bytes=100), 99, 1, False),
        (Budget(size_bytes=100), 100, 1, True),
        (Budget(size_bytes=0), 0, 0, True),
        (Budget(cost=Decimal(1)), 9 * 10**9, 1, False),
        (Budget(cost=Decimal(1)), 10 * 10**9, 1, True),
        (Budget(cost=Decimal(0)), 0, 0, True),
    ],
)
def test_a_budget_is_spent_by_bytes_or_by_money(
    budget: Budget, size: int, files: int, spent: bool
) -> None:
    assert is_spent(budget, PRICES, fetched_bytes=size, fetched_files=files) is spent
    found = spent_of({VAULT: (size, files)}, budget, PRICES)
    assert found == (frozenset({VAULT}) if spent else frozenset())


def test_a_budget_of_money_without_a_price_lets_nothing_through() -> None:
    assert is_spent(Budget(cost=Decimal(5)), Prices(), fetched_bytes=0, fetched_files=0)
    assert Budget(cost=Decimal(5)).is_bounded
    assert not Budget().is_bounded


def test_what_the_budget_can_not_hold_is_known_ahead() -> None:
    year = 12 * 10**9
    assert outlook(year, 12, 0, Budget(), PRICES) is None
    assert outlook(0, 0, 3, Budget(), PRICES) is None
    fine = outlook(year, 12, 1, Budget(size_bytes=10**9), PRICES)
    assert fine is not None
    assert (fine.enough, fine.needed_bytes) == (True, 10**9)
    tight = outlook(year, 12, 1, Budget(size_bytes=5 * 10**8), PRICES)
    assert tight is not None
    assert (tight.enough, tight.takes_years) == (False, 2.0)
    poor = outlook(year, 12, 1, Budget(cost=Decimal("0.01")), PRICES)
    assert poor is not None
    assert not poor.enough
    unknown = outlook(year, 12, 1, Budget(cost=Decimal(1)), Prices())
    assert unknown is not None
    assert (unknown.enough, unknown.takes_years) == (False, None)
    free = Prices(fetch_gb=Decimal(0), requests_1000=Decimal(0))
    nothing = outlook(0, 12, 1, Budget(size_bytes=1, cost=Decimal(0)), free)
    assert nothing is not None
    assert nothing.enough


def test_a_month_begins_on_its_first_day_in_utc() -> None:
    assert month_begin(datetime(2026, 11, 28, 5, 6, 7, 8, tzinfo=UTC)) == datetime(
        2026, 11, 1, tzinfo=UTC
    )
