"""Costs from prices that the person wrote down; a price that is not known is never taken for nothing."""

from decimal import Decimal

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.prices import (
    ARCHIVES,
    GB,
    BucketCost,
    Held,
    Prices,
    a_month,
    for_requests,
    in_all,
    is_asleep,
    is_thawing,
    money,
    requests_for,
    shelf_name,
    to_fetch_all,
    to_take,
)

D = Decimal
ALL = Prices(
    currency="EUR",
    month_gb={"STANDARD": D("0.02"), "GLACIER": D("0.004")},
    fetch_gb=D("0.09"),
    take_gb={"GLACIER": D("0.01"), "COOL": D("0.02")},
    requests_1000=D("0.4"),
)
NONE = Prices()


@pytest.mark.parametrize(
    ("prices", "shelf", "size", "cost"),
    [
        pytest.param(ALL, "", 10 * GB, D("0.9"), id="the usual class"),
        pytest.param(ALL, "GLACIER", 10 * GB, D("1.0"), id="thawing comes on top"),
        pytest.param(ALL, "COOL", 10 * GB, D("1.1"), id="so does taking out"),
        pytest.param(ALL, "DEEP_ARCHIVE", 10 * GB, None, id="thawing is never free"),
        pytest.param(NONE, "", 10 * GB, None, id="no prices, no cost"),
        pytest.param(NONE, "DEEP_ARCHIVE", 0, D(0), id="nothing costs nothing"),
    ],
)
def test_taking_out(prices: Prices, shelf: str, size: Decimal, cost: Decimal | None) -> None:
    assert to_take(prices, shelf, int(size)) == cost


def test_requests_and_months() -> None:
    assert for_requests(ALL, 2500) == D("1.0")
    assert for_requests(NONE, 1) is None
    assert for_requests(NONE, 0) == 0
    held = [Held(shelf="", objects=3, size_bytes=int(5 * GB))]
    assert a_month(ALL, held) == D("0.1")
    assert a_month(NONE, held) is None
    assert a_month(NONE, [Held(shelf="", objects=1, size_bytes=0)]) == 0
    assert requests_for(3) == 6
    assert to_fetch_all(ALL, held) == D("0.45") + D("0.4") * 6 / 1000
    assert to_fetch_all(NONE, []) == 0


def test_which_prices_are_there() -> None:
    assert not NONE.are_there
    assert not Prices(currency="EUR").are_there
    assert all(
        one.are_there
        for one in (
            ALL,
            Prices(fetch_gb=D(0)),
            Prices(requests_1000=D(0)),
            Prices(take_gb={"A": D(1)}),
        )
    )


def test_money_is_shown_to_the_cent_and_never_as_nothing() -> None:
    assert money(D("1234.565"), "EUR") == "1,234.57 EUR"
    assert money(D("0.001"), "EUR") == "less than 0.01 EUR"
    assert money(D(0), "") == "0.00"
    assert "not known" in money(None, "EUR")
    assert shelf_name("") == "STANDARD"


def test_what_sleeps() -> None:
    assert is_asleep("GLACIER", "")
    assert is_asleep("DEEP_ARCHIVE", 'ongoing-request="true"')
    assert not is_asleep("GLACIER", 'ongoing-request="false", expiry-date="Fri, 12 Jun 2026"')
    assert not is_asleep("GLACIER_IR", "")
    assert is_thawing('ongoing-request="true"')
    assert not is_thawing("")


AMOUNTS = st.decimals(0, 100, places=4)
PRICES = st.builds(
    Prices,
    month_gb=st.dictionaries(st.sampled_from(["STANDARD", "GLACIER"]), AMOUNTS),
    fetch_gb=st.none() | AMOUNTS,
    take_gb=st.dictionaries(st.sampled_from(["STANDARD", "GLACIER"]), AMOUNTS),
    requests_1000=st.none() | AMOUNTS,
)
HELD = st.lists(
    st.builds(
        Held,
        shelf=st.sampled_from(["", "GLACIER", "OTHER"]),
        objects=st.integers(0, 10**6),
        size_bytes=st.integers(0, 10**14),
    ),
    max_size=4,
)


@given(PRICES, HELD, HELD)
def test_more_never_costs_less_and_the_unknown_stays_unknown(
    prices: Prices, some: list[Held], more: list[Held]
) -> None:
    for cost in (a_month, to_fetch_all):
        part, whole = cost(prices, some), cost(prices, some + more)
        if part is None:
            assert whole is None
        elif whole is not None:
            assert whole >= part >= 0


@given(st.lists(st.none() | AMOUNTS))
def test_a_sum_with_something_unknown_is_unknown(costs: list[Decimal | None]) -> None:
    assert (in_all(costs) is None) == (None in costs)


@given(st.sampled_from(sorted(ARCHIVES)), st.integers(1, 10**14))
def test_an_archive_without_a_price_of_its_own_is_never_guessed(shelf: str, size: int) -> None:
    assert to_take(Prices(fetch_gb=D("0.09")), shelf, size) is None


def test_what_a_bucket_holds_is_the_sum_of_its_classes() -> None:
    held = (Held(shelf="", objects=2, size_bytes=7), Held(shelf="X", objects=1, size_bytes=5))
    cost = BucketCost(name="Off site", held=held, currency="")
    assert (cost.objects, cost.size_bytes) == (3, 12)
