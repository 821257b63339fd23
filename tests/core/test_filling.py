"""When a drive will be full: a range, honest where too little is known."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.filling import NO_ROOM_KNOWN, TOO_FEW, Shot, filling, shoots_of
from backupkeeper.core.overview import Filling
from tests.report.boatyard import NOW, cover, head

DAY = timedelta(days=1)
GB = 10**9
MONTHLY: tuple[Shot, ...] = tuple((NOW - 30 * n * DAY, 100 * GB) for n in range(12, 0, -1))


def test_so_many_more_usual_shoots_fit_and_when_it_is_full_is_a_range() -> None:
    found = filling(1000 * GB, MONTHLY, NOW)
    assert found.shoots_left == 10
    assert found.earliest is not None
    assert found.latest is not None
    # 100 GB in 30 days: 1,000 GB in 300; a quarter to either side, and months don't fit quarters.
    assert 200 * DAY < found.earliest - NOW < 300 * DAY < found.latest - NOW < 450 * DAY


def test_a_busier_quarter_widens_the_range_to_the_sooner_side() -> None:
    busy = tuple(sorted([*MONTHLY, *((NOW - n * DAY, 100 * GB) for n in range(1, 30, 3))]))
    steady, now = filling(1000 * GB, MONTHLY, NOW), filling(1000 * GB, busy, NOW)
    assert now.earliest is not None
    assert steady.earliest is not None
    assert now.earliest < steady.earliest


@pytest.mark.parametrize(
    ("free", "shoots", "expected"),
    [
        (None, MONTHLY, Filling(why=NO_ROOM_KNOWN)),
        (GB, (), Filling(why=TOO_FEW)),
        (GB, MONTHLY[:2], Filling(why=TOO_FEW)),
        (150 * GB, tuple((NOW - n * DAY, 100 * GB) for n in (3, 2, 1)), Filling(shoots_left=1.5, why=TOO_FEW)),
        (0, MONTHLY, Filling(shoots_left=0.0, earliest=NOW, latest=NOW)),
        (-1, MONTHLY, Filling(shoots_left=0.0, earliest=NOW, latest=NOW)),
        (10**18, MONTHLY, Filling(shoots_left=10**7)),
    ],
    ids=["no room known", "no shoot", "two shoots", "three days", "full", "overfull", "beyond ten years"],
)  # fmt: skip
def test_what_is_said_where_there_is_little_to_say(
    free: int | None, shoots: tuple[Shot, ...], expected: Filling
) -> None:
    assert filling(free, shoots, NOW) == expected


def test_a_drive_that_may_last_ten_years_has_no_latest_day() -> None:
    quiet = tuple((NOW - n * DAY, 100 * GB) for n in (360, 355, 350, 345, 200))
    found = filling(1000 * GB, quiet, NOW)
    assert found.earliest is not None
    assert found.latest is None


def test_shoots_are_the_rolls_of_one_name_within_the_last_year() -> None:
    def at(shoot: str, days: int, name: str = "Roll 01") -> object:
        return cover(replace(head(shoot, name=name), sealed_at=NOW - days * DAY))

    rolls = [at("260612 Boatyard", 2), at("260612 Boatyard", 1, "Roll 02"), at("250101 Old", 366), at("270101 Ahead", -1)]  # fmt: skip
    found = shoots_of(rolls, NOW)  # type: ignore[arg-type]  # covers, made above
    assert found == ((NOW - DAY, 6_400_000_000),)


SHOOTS = st.lists(
    st.tuples(
        st.integers(0, 365 * 24).map(lambda hours: NOW - timedelta(hours=hours)),
        st.integers(0, 10**13),
    ),
    max_size=12,
).map(lambda shots: tuple(sorted(shots)))


@given(SHOOTS, st.integers(-1, 10**15), st.integers(0, 10**15))
def test_the_range_is_one_and_more_room_never_fills_sooner(
    shoots: tuple[Shot, ...], free: int, more: int
) -> None:
    one, other = filling(free, shoots, NOW), filling(free + more, shoots, NOW)
    for found in (one, other):
        if found.latest is not None:
            assert found.earliest is not None
            assert NOW <= found.earliest <= found.latest
    if one.shoots_left is not None:
        assert other.shoots_left is not None
        assert other.shoots_left >= one.shoots_left
    if other.earliest is not None:
        assert one.earliest is not None
        assert one.earliest <= other.earliest
