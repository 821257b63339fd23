"""Whether one whole pass fits into the interval, what would do, and how that is said."""

from datetime import timedelta
from fractions import Fraction
from itertools import repeat

import pytest
from hypothesis import assume, given, settings, strategies as st

from backupkeeper.core.scrub import (
    Forecast,
    Habits,
    Remedy,
    RemedyKind,
    forecast,
    forecast_words,
)
from tests.core.made_up_nights import Drive, evenly, every, level

DAY: timedelta = timedelta(days=1)
AGE: timedelta = 90 * DAY
TB: int = 10**12
LONGEST = 10**8
"""Days: what can be told as a span of time."""


def habits(here: int = 3, *, rate: float = 120e6, hours: float = 2, of: int = 90) -> Habits:
    return Habits(rate_bytes_s=rate, night_s=hours * 3600, nights_here=here, of_nights=of)


def made(total: int, kept: Habits, age: timedelta = AGE) -> Forecast:
    found = forecast(total, kept, age)
    assert found is not None
    return found


def words(total: int, kept: Habits, age: timedelta = AGE) -> str:
    return forecast_words("Main", forecast(total, kept, age), kept, age)


# -- the check numbers of the issue


def test_the_issue_s_own_numbers() -> None:
    found = made(41 * TB // 10, habits())
    assert found.hours == pytest.approx(9.49, abs=0.005)
    assert found.nights_needed == pytest.approx(4.75, abs=0.005)
    assert not found.enough
    assert [remedy.kind for remedy in found.remedies] == list(RemedyKind)
    assert [remedy.amount for remedy in found.remedies] == pytest.approx([5, 3.16, 150], abs=0.005)
    assert made(41 * TB // 10, habits(5)).enough
    assert not made(41 * TB // 10, habits(4)).enough


def test_the_issue_s_own_sentence() -> None:
    assert words(41 * TB // 10, habits()) == (
        "Main: 4.1 TB at 120 MB/s is 9.5 h; at 2 h a night that is 5 nights, connected 3 nights in "
        "the last 90 days: not enough. Plugged in on 5 nights, or read for 3.2 h a night, it would do."
    )


def test_nights_and_a_rounding_error_are_those_nights() -> None:
    """These hours a night, worked out from the numbers themselves, make 49.00000000000001 nights."""
    total, rate = 8_308_397_299_876, 700_642_630.0
    hours = total / rate / 3600 / 49
    assert made(total, habits(49, rate=rate, hours=hours)).nights_needed > 49
    assert made(total, habits(49, rate=rate, hours=hours)).enough


@pytest.mark.parametrize(("total", "would_do"), [(3 * 24 * 3600, True), (3 * 24 * 3600 + 9, False)])
def test_a_night_has_no_more_than_24_hours(total: int, would_do: bool) -> None:
    named = {remedy.kind for remedy in made(total, habits(rate=1)).remedies}
    assert (RemedyKind.HOURS in named) is would_do


def test_hours_that_would_do_are_rounded_up() -> None:
    kept = habits(rate=1e6)
    total = int(3 * 2.61 * 3600 * 1e6)
    assert "or read for 2.7 h a night" in words(total, kept)
    assert "or read for 2.6 h a night" in words(int(3 * 2.6 * 3600 * 1e6), kept)


# -- what else is said


@pytest.mark.parametrize(
    ("total", "kept", "age", "said"),
    [
        (
            41 * TB // 10,
            habits(60),
            AGE,
            (
                "4.1 TB at 120 MB/s is 9.5 h; at 2 h a night that is 5 nights, connected 60 nights in the "
                "last 90 days: enough."
            ),
        ),
        (
            10**9,
            habits(1, hours=0.5, rate=99.94e6),
            AGE,
            (
                "1 GB at 99.9 MB/s is less than 0.1 h; at 0.5 h a night that is 1 night, connected 1 night "
                "in the last 90 days: enough."
            ),
        ),
        (
            41 * TB // 10,
            habits(0),
            AGE,
            (
                "4.1 TB at 120 MB/s is 9.5 h; at 2 h a night that is 5 nights, connected no nights in the "
                "last 90 days: not enough. Plugged in on 5 nights it would do."
            ),
        ),
        (
            100 * TB,
            habits(80),
            AGE,
            (
                "100 TB at 120 MB/s is 231.5 h; at 2 h a night that is 116 nights, connected 80 nights in "
                "the last 90 days: not enough. Read for 2.9 h a night it would do."
            ),
        ),
        (
            1500 * TB,
            habits(80),
            AGE,
            (
                "1.5 PB at 120 MB/s is 3,472.2 h; at 2 h a night that is 1,737 nights, connected 80 nights "
                "in the last 90 days: not enough. With a pass every 1,955 days it would do."
            ),
        ),
        (
            1500 * TB,
            habits(0),
            AGE,
            (
                "1.5 PB at 120 MB/s is 3,472.2 h; at 2 h a night that is 1,737 nights, connected no nights "
                "in the last 90 days: not enough. With these hours no number of nights would do."
            ),
        ),
        (
            41 * TB // 10,
            habits(9),
            30 * DAY,
            (
                "4.1 TB at 120 MB/s is 9.5 h; at 2 h a night that is 5 nights, connected 9 nights in the "
                "last 90 days: not enough for a pass every 30 days. Plugged in on 15 of 90 nights, or read "
                "for 3.2 h a night, it would do."
            ),
        ),
        (
            10**9,
            habits(1, of=1),
            AGE,
            (
                "1 GB at 120 MB/s is less than 0.1 h; at 2 h a night that is 1 night, connected 1 night in "
                "the last day: enough for a pass every 90 days."
            ),
        ),
        (0, habits(), AGE, "there is nothing on it to read."),
        (TB, habits(rate=0), AGE, "how fast it can be read is not known yet."),
        (TB, habits(0, of=0), AGE, "how often it is here at night is not known yet."),
    ],
)
def test_it_is_said_in_one_sentence_or_two(
    total: int, kept: Habits, age: timedelta, said: str
) -> None:
    assert words(total, kept, age) == f"Main: {said}"


@pytest.mark.parametrize(
    ("total", "said"),
    [
        (1, "1 byte"),
        (999, "999 bytes"),
        (1000, "1 kB"),
        (999_499, "999 kB"),
        (999_500, "1 MB"),
        (12_340_000, "12.3 MB"),
        (9_994_000_000, "9.99 GB"),
        (9_996_000_000, "10 GB"),
        (4_096 * TB, "4.1 PB"),
        (10**22, "10,000 EB"),
    ],
)
def test_sizes_are_decimal_and_of_three_digits(total: int, said: str) -> None:
    assert words(total, habits(rate=1e12)).startswith(f"Main: {said} at 1 TB/s is ")


# -- laws

totals = st.integers(1, 10**16)
kept_habits = st.builds(
    Habits,
    rate_bytes_s=st.floats(1, 10**10),
    night_s=st.floats(360, 86400),
    nights_here=st.integers(0, 90),
    of_nights=st.just(90),
)
ages = st.integers(1, 730).map(lambda days: days * DAY)


@given(st.sampled_from(["rate", "night", "of"]), totals, st.floats(0, 0.9), st.integers(0, 90))
def test_nothing_is_said_before_it_is_known(
    unknown: str, total: int, little: float, here: int
) -> None:
    kept = Habits(
        rate_bytes_s=little if unknown == "rate" else 1e8,
        night_s=little if unknown == "night" else 3600,
        nights_here=here,
        of_nights=0 if unknown == "of" else 90,
    )
    assert forecast(total, kept, AGE) is None
    assert forecast_words("Main", None, kept, AGE).endswith("is not known yet.")


@given(totals, kept_habits, ages)
def test_each_remedy_alone_does_and_a_little_less_does_not(
    total: int, kept: Habits, age: timedelta
) -> None:
    found = made(total, kept, age)
    assert not (found.enough and found.remedies)

    def with_(remedy: Remedy, amount: float) -> bool:
        match remedy.kind:
            case RemedyKind.NIGHTS:
                return made(total, _changed(kept, here=int(amount)), age).enough
            case RemedyKind.HOURS:
                return made(total, _changed(kept, night_s=amount * 3600), age).enough
            case RemedyKind.DAYS:
                return made(total, kept, amount * DAY).enough

    for remedy in found.remedies:
        if remedy.amount > LONGEST:
            continue
        less = remedy.amount * 0.99 if remedy.kind is RemedyKind.HOURS else remedy.amount - 1
        assert with_(remedy, remedy.amount)
        assert not with_(remedy, less)


def _changed(kept: Habits, *, here: int | None = None, night_s: float | None = None) -> Habits:
    return Habits(
        rate_bytes_s=kept.rate_bytes_s,
        night_s=kept.night_s if night_s is None else night_s,
        nights_here=kept.nights_here if here is None else here,
        of_nights=kept.of_nights,
    )


@given(totals, kept_habits, ages)
def test_where_no_remedy_is_named_none_would_do(total: int, kept: Habits, age: timedelta) -> None:
    found = made(total, kept, age)
    named = {remedy.kind for remedy in found.remedies}
    if found.enough:
        return
    assert (RemedyKind.NIGHTS in named) == made(total, _changed(kept, here=90), age).enough
    assert (RemedyKind.HOURS in named) == made(total, _changed(kept, night_s=86400), age).enough
    assert (RemedyKind.DAYS in named) == (kept.nights_here > 0)


@given(st.integers(1, 400), st.integers(1, 20), st.integers(0, 90), st.integers(1, 365))
def test_enough_is_where_a_pass_that_is_made_night_by_night_ends_within_the_interval(
    units: int, a_night: int, here: int, age: int
) -> None:
    """The nights come evenly; the interval begins when the last one has just passed."""
    night, left = Fraction(0), units
    while here and left > 0 and night + Fraction(90, here) <= age:
        night += Fraction(90, here)
        left -= a_night
    kept = Habits(rate_bytes_s=a_night, night_s=3600, nights_here=here, of_nights=90)
    assert made(units * 3600, kept, age * DAY).enough == (left <= 0)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 30), st.integers(1, 12), st.integers(1, 12), st.sampled_from([-1, 0, 1]))
def test_the_forecast_says_what_comes_of_the_schedule_itself(
    gap: int, a_night: int, passes: int, more: int
) -> None:
    """In a rhythm: enough with the first tenth taken off is kept; less than enough, by a night, is not."""
    copies = max(1, a_night * passes + more)
    nights = every(repeat(gap), days=270)
    drive = Drive(evenly(copies), nights, a_night)
    kept = Habits(
        rate_bytes_s=a_night, night_s=3600, nights_here=len(range(0, 90, gap)), of_nights=90
    )
    certain = Habits(rate_bytes_s=a_night, night_s=3600, nights_here=90 // gap, of_nights=90)
    fits = made(copies * 3600, certain, 81 * DAY).enough
    hopeless = not made(copies * 3600, kept, 90 * DAY).enough
    assume(fits or hopeless)
    overdue = False
    for day in range(1, 270):
        drive.pass_night(day, level)
        overdue |= bool(drive.overdue(day))
    assert overdue == (not fits)
