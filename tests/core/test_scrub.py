"""The cutoff of one night: the plain rule, the share, the rest, and the limits of all three."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import Way
from backupkeeper.core.needs import young_for
from backupkeeper.core.policy import Policy
from backupkeeper.core.scrub import SAFETY, Habits, Load, rest_of, young_until

DAY, HOUR = timedelta(days=1), timedelta(hours=1)
NOW: datetime = datetime(2026, 6, 12, 2, tzinfo=UTC)
AGE: timedelta = 90 * DAY
LEAD: timedelta = 14 * DAY
ALWAYS: Habits = Habits(rate_bytes_s=100e6, night_s=7200, nights_here=90, of_nights=90)

spans = st.timedeltas(timedelta(0), 400 * DAY)
ages = st.timedeltas(DAY, 400 * DAY)
sizes = st.integers(0, 10**13)
loads = st.lists(
    st.builds(
        Load,
        at=st.timedeltas(-2 * DAY, 400 * DAY).map(lambda old: NOW - old),
        size_bytes=sizes,
        files=st.integers(1, 10**6),
    ),
    max_size=30,
)
habits = st.builds(
    Habits,
    rate_bytes_s=st.one_of(st.just(0.0), st.floats(1, 10**10)),
    night_s=st.floats(360, 86400),
    nights_here=st.integers(0, 90),
    of_nights=st.integers(0, 90),
)


def daily(days: int, *, size: int = 10**9) -> list[Load]:
    """As much as that proven on each of the last days."""
    return [Load(at=NOW - day * DAY, size_bytes=size, files=3) for day in range(1, days + 1)]


def asked(
    found: Sequence[Load], habits: Habits = ALWAYS, *, age: timedelta = AGE, done: int = 0
) -> int:
    """Days since the youngest proofs that are to be made again."""
    cutoff = young_until(found, habits, now=NOW, age=age, lead=LEAD, done_bytes=done)
    return (NOW - cutoff) // DAY


# -- the plain rule


@given(ages, spans)
def test_the_plain_rule_is_that_of_what_each_roll_needs(age: timedelta, lead: timedelta) -> None:
    young = young_for(Way.REHASH, Policy(drive_proof_age=age), lead)
    assert young_until([], ALWAYS, now=NOW, age=age, lead=lead) == NOW - young


def test_what_is_older_than_the_age_less_the_lead_is_read_whatever_the_share() -> None:
    found = [Load(at=NOW - day * DAY, size_bytes=10**12, files=1) for day in (76, 77, 80)]
    assert asked(found) == 76
    assert asked([]) == 76


# -- the share


def test_a_drive_that_is_here_every_night_has_the_oldest_of_an_even_share() -> None:
    """To 0.8 of the deadline of the newest there are 71.2 nights: 0.84, and 1.05, days' worth each."""
    assert asked(daily(60)) == 60
    assert asked(daily(75)) == 75, "to the nearest, and rather less"


def test_a_drive_that_is_here_one_night_in_ten_has_ten_shares() -> None:
    tenth = Habits(rate_bytes_s=100e6, night_s=7200, nights_here=9, of_nights=90)
    assert asked(daily(60), tenth) == 53, (
        "60 days' worth in 7.12 nights, 8.4 each: the oldest eight"
    )


def test_what_no_later_night_is_counted_on_for_is_asked_for_now() -> None:
    never = Habits(rate_bytes_s=0, night_s=7200, nights_here=0, of_nights=90)
    new = Habits(rate_bytes_s=0, night_s=7200, nights_here=0, of_nights=0)
    assert asked(daily(60), never) == asked(daily(60), new) == 9, "all but what has its rest"


def test_a_night_is_asked_for_no_more_than_it_can_read() -> None:
    seldom = Habits(rate_bytes_s=1e6, night_s=7200, nights_here=0, of_nights=90)
    assert asked(daily(60, size=10**9), seldom) == 53, "7.2 GB: eight days' worth of 1 GB"
    assert asked(daily(60, size=10**10), seldom) == 60


def test_what_no_night_can_read_is_asked_for_all_the_same() -> None:
    """A night ends at the end of a file, or goes on in it the next time."""
    seldom = Habits(rate_bytes_s=1e6, night_s=7200, nights_here=0, of_nights=90)
    assert asked([Load(at=NOW - 20 * DAY, size_bytes=10**12, files=1)], seldom) == 20
    assert asked([Load(at=NOW - 20 * DAY, size_bytes=10**12, files=1)], seldom, done=10**10) == 76


def test_a_large_share_of_old_proofs_is_not_put_off_for_a_small_average() -> None:
    """Little is old and much is young: what is nearly old has its own, steeper rate."""
    old = [Load(at=NOW - 70 * DAY - step * HOUR, size_bytes=10**9, files=1) for step in range(24)]
    young = [Load(at=NOW - 10 * DAY, size_bytes=10**9, files=1)]
    cutoff = young_until(old + young, ALWAYS, now=NOW, age=AGE, lead=LEAD)
    assert sum(load.at <= cutoff for load in old) == 4, "24 GB in the 6 nights that are left"


def test_empty_files_wait_for_the_plain_rule() -> None:
    assert asked(daily(60, size=0)) == 76


def test_one_load_is_the_least_share() -> None:
    """It is read once three quarters of it are due."""
    one = Load(at=NOW - 20 * DAY, size_bytes=10**12, files=1)
    third = Habits(rate_bytes_s=0, night_s=7200, nights_here=3, of_nights=90)
    assert asked([one]) == asked([one], third) == 76, "56 nights, 1.9 nights"
    seldom = Habits(rate_bytes_s=0, night_s=7200, nights_here=2, of_nights=90)
    assert asked([one], seldom) == 20, "1.24 nights"


def test_proofs_of_one_time_are_one_load() -> None:
    parts = [Load(at=NOW - 20 * DAY, size_bytes=10**11, files=1)] * 10
    third = Habits(rate_bytes_s=0, night_s=7200, nights_here=3, of_nights=90)
    assert asked(parts, third) == 76


def test_what_is_past_the_plain_rule_and_cannot_be_read_does_not_use_up_the_share() -> None:
    """Copies that were damaged or went missing may be told as well: they are never read again."""
    dead = [Load(at=NOW - 80 * DAY, size_bytes=10**12, files=100)]
    assert asked(dead + daily(60)) == 60


# -- asked again in the same night


def test_asked_again_after_the_share_was_read_nothing_more_is_asked_for() -> None:
    found = daily(60)
    found[-1] = Load(at=NOW, size_bytes=10**9, files=3)  # the oldest was read tonight
    assert asked(found) == 59, "so it goes where nobody says what was read"
    assert asked(found, done=10**9) == 76


def test_what_was_read_tonight_is_not_counted_twice() -> None:
    """Three visits an interval: ten equal loads in 1.9 visits, so five tonight; then no sixth."""
    third = Habits(rate_bytes_s=0, night_s=7200, nights_here=3, of_nights=90)
    found = [Load(at=NOW - 20 * DAY + step * HOUR, size_bytes=10, files=1) for step in range(10)]
    cutoff = young_until(found, third, now=NOW, age=AGE, lead=LEAD)
    assert [load.at <= cutoff for load in found] == [True] * 5 + [False] * 5
    found[:5] = [Load(at=NOW, size_bytes=50, files=5)]
    assert asked(found, third, done=50) == 76


@given(st.lists(st.integers(1, 10**9), min_size=1, max_size=40), st.integers(1, 90), st.data())
def test_a_night_in_steps_reads_what_it_reads_at_one_go(
    sizes: list[int], here: int, data: st.DataObject
) -> None:
    kept = Habits(rate_bytes_s=0, night_s=7200, nights_here=here, of_nights=90)
    gaps = data.draw(st.lists(st.integers(1, 48), min_size=len(sizes), max_size=len(sizes)))
    ages = [70 * DAY - sum(gaps[:place]) * HOUR for place in range(len(sizes))]
    state = [
        Load(at=NOW - old, size_bytes=size, files=1)
        for old, size in zip(ages, sizes, strict=True)
        if old > 10 * DAY
    ]
    at_one_go = young_until(state, kept, now=NOW, age=AGE, lead=LEAD)
    wanted = sum(load.size_bytes for load in state if load.at <= at_one_go)
    done = 0
    for place, load in enumerate(state):
        cutoff = young_until(state, kept, now=NOW, age=AGE, lead=LEAD, done_bytes=done)
        if load.at > cutoff:
            break
        done += load.size_bytes
        state[place] = Load(at=NOW, size_bytes=load.size_bytes, files=1)
    assert done == wanted


# -- laws


@given(loads, habits, ages, spans, sizes)
def test_no_cutoff_lies_in_the_future_or_within_the_rest(
    found: list[Load], kept: Habits, age: timedelta, lead: timedelta, done: int
) -> None:
    cutoff = young_until(found, kept, now=NOW, age=age, lead=lead, done_bytes=done)
    assert cutoff <= NOW - rest_of(age, lead)
    assert cutoff >= NOW - age, "nothing that is too old is left out"


@given(loads, habits, ages, spans, spans, spans)
def test_a_longer_age_or_a_shorter_lead_asks_for_no_more(
    found: list[Load],
    kept: Habits,
    age: timedelta,
    more: timedelta,
    lead: timedelta,
    less: timedelta,
) -> None:
    cutoff = young_until(found, kept, now=NOW, age=age, lead=lead)
    assert young_until(found, kept, now=NOW, age=age + more, lead=lead) <= cutoff
    assert young_until(found, kept, now=NOW, age=age, lead=min(lead, less)) <= cutoff


@given(st.data(), loads, habits)
def test_the_order_in_which_loads_are_told_does_not_matter(
    data: st.DataObject, found: list[Load], kept: Habits
) -> None:
    mixed = data.draw(st.permutations(found))
    assert young_until(mixed, kept, now=NOW, age=AGE, lead=LEAD) == young_until(
        found, kept, now=NOW, age=AGE, lead=LEAD
    )


@given(loads, st.integers(0, 90), st.integers(0, 90))
def test_a_drive_that_comes_more_often_is_asked_for_no_more_a_night(
    found: list[Load], one: int, other: int
) -> None:
    seldom, often = (
        young_until(
            found,
            Habits(rate_bytes_s=0, night_s=7200, nights_here=here, of_nights=90),
            now=NOW,
            age=AGE,
            lead=LEAD,
        )
        for here in sorted((one, other))
    )
    assert often <= seldom


@given(ages, spans)
def test_the_rest_is_a_tenth_of_the_age_but_three_days_and_never_more_than_the_plain_rule(
    age: timedelta, lead: timedelta
) -> None:
    rest = rest_of(age, lead)
    assert rest <= max(age - lead, age / 2)
    assert rest == min(max(age / 10, 3 * DAY), max(age - lead, age / 2))
    assert rest_of(AGE, LEAD) == 9 * DAY


@pytest.mark.parametrize(
    ("here", "of", "part"), [(0, 0, 0.0), (3, 90, 1 / 30), (90, 90, 1.0), (91, 90, 1.0)]
)
def test_habits_say_the_part_of_nights(here: int, of: int, part: float) -> None:
    kept = Habits(rate_bytes_s=0, night_s=7200, nights_here=here, of_nights=of)
    assert kept.part_here == pytest.approx(part)


def test_a_quarter_is_what_a_rhythm_may_stretch_by() -> None:
    assert pytest.approx(1.25) == 1 / SAFETY


def test_sums_that_floats_cannot_hold_are_no_trouble() -> None:
    found = [Load(at=NOW - 20 * DAY, size_bytes=(1 << 53) + 1, files=1)] * 3
    rare = Habits(rate_bytes_s=0, night_s=7200, nights_here=0, of_nights=0)
    assert asked(found, rare) == 20
