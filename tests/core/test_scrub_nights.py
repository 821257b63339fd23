"""Many nights in a row: nothing starves, nothing is missed that could be kept, work is spread."""

import random
from itertools import chain, cycle, product, repeat

import pytest
from hypothesis import assume, given, settings, strategies as st

from tests.core.made_up_nights import (
    Drive,
    clairvoyant,
    evenly,
    every,
    level,
    plain,
)

SPARSEST = 30
"""Days between two visits at most: three in an interval."""
EVEN_SHARE = 1.5
"""No night reads more than so many even shares, where nothing is late."""
AN_INTERVAL = 1.35
"""No interval reads more than so many times what there is; in the long run it is 1.25 times."""
ages = st.sampled_from([30, 60, 90])
rhythms = st.integers(1, SPARSEST)
few = settings(max_examples=40, deadline=None)


@st.composite
def proofs(draw: st.DrawFn, age: int, most: int = 60) -> list[float]:
    """Proofs made on a few days before day 0, some of them all at once."""
    days = draw(st.lists(st.integers(1, age), min_size=1, max_size=6))
    counts = draw(st.lists(st.integers(1, most // 6), min_size=len(days), max_size=len(days)))
    found = []
    for place, (day, count) in enumerate(zip(days, counts, strict=True)):
        found += evenly(count, day=-day + place / 100, over=0.005)
    return found


def kept(drive: Drive, before: list[float]) -> bool:
    """Whether each copy was read again before the proof that it had at first was too old."""
    return all(
        copy in drive.again and drive.again[copy] <= at + drive.age
        for copy, at in enumerate(before)
    )


def keeps_a_cycle(before: list[float], nights: frozenset[int], a_night: int, age: int) -> bool:
    drive = Drive(list(before), nights, a_night, age, age // 6)
    return kept(drive.pass_nights(range(age + 1), clairvoyant), before)


# -- nothing is missed that could be kept


@few
@given(st.data(), ages, rhythms, st.integers(0, SPARSEST), st.sampled_from([0, 1, 3, 6]))
def test_in_a_rhythm_whatever_the_clairvoyant_keeps_is_kept_with_no_second_to_spare(
    data: st.DataObject, age: int, gap: int, phase: int, part: int
) -> None:
    """With the smallest budget that lets a clairvoyant keep every deadline of a cycle."""
    before = data.draw(proofs(age))
    nights = frozenset(night + phase % gap for night in every(repeat(gap), days=age))
    enough = (a for a in range(1, len(before) + 1) if keeps_a_cycle(before, nights, a, age))
    a_night = next(enough, None)
    assume(a_night is not None)
    assert a_night is not None
    lead = age // part if part else 0
    drive = Drive(list(before), nights, a_night, age, lead)
    drive.pass_nights(range(age + 1), level)
    assert kept(drive, before)


@few
@given(st.data(), ages, rhythms, st.sampled_from([0, 1, 3, 6]))
def test_so_it_is_where_the_rhythm_stretches_by_a_quarter(
    data: st.DataObject, age: int, gap: int, part: int
) -> None:
    before = data.draw(proofs(age))
    gaps = data.draw(st.lists(st.integers(gap, gap + gap // 4), min_size=1, max_size=12))
    nights = every(cycle(gaps), days=age)
    enough = (a for a in range(1, len(before) + 1) if keeps_a_cycle(before, nights, a, age))
    a_night = next(enough, None)
    assume(a_night is not None)
    assert a_night is not None
    drive = Drive(list(before), nights, a_night, age, age // part if part else 0)
    assert kept(drive.pass_nights(range(age + 1), level), before)


@pytest.mark.parametrize("gap", [4, 8, 12])
def test_so_it_is_where_it_stretches_by_a_quarter_for_good_and_there_is_no_lead(gap: int) -> None:
    """What was counted on is a quarter more than what comes, and the budget has none to spare."""
    before = evenly(120)
    nights = every(chain(repeat(gap, 90 // gap), repeat(gap * 5 // 4)), days=90)
    a_night = next(a for a in range(1, 121) if keeps_a_cycle(before, nights, a, 90))
    drive = Drive(list(before), nights, a_night, lead=0)
    assert kept(drive.pass_nights(range(91), level), before)


@few
@given(st.data(), ages, st.integers(1, 40), st.sampled_from([0, 7, 14, 60]))
def test_whatever_the_nights_nothing_is_read_later_than_under_the_plain_rule(
    data: st.DataObject, age: int, a_night: int, lead: int
) -> None:
    before = data.draw(proofs(age))
    nights = data.draw(st.frozensets(st.integers(-90, 2 * age), max_size=90))
    ours = Drive(list(before), nights, a_night, age, lead)
    theirs = Drive(list(before), nights, a_night, age, lead)
    ours.pass_nights(range(2 * age), level)
    theirs.pass_nights(range(2 * age), plain)
    for copy, night in theirs.again.items():
        assert ours.again[copy] <= night


@few
@given(st.data(), ages, st.integers(1, 40), st.sampled_from([0, 7, 14, 60]))
def test_within_the_lead_the_whole_budget_is_used_whatever_the_nights(
    data: st.DataObject, age: int, a_night: int, lead: int
) -> None:
    drive = Drive(data.draw(proofs(age)), frozenset(), a_night, age, lead)
    drive.nights = data.draw(st.frozensets(st.integers(-90, 2 * age), max_size=90))
    for day in range(2 * age):
        old = sum(1 for at in drive.proven if day - at >= drive.young)
        drive.pass_night(day, level)
        if day in drive.nights:
            assert drive.read[day] >= min(a_night, old)


# -- nothing starves


@few
@given(st.data(), ages, rhythms, st.integers(1, 12))
def test_nothing_starves_where_a_pass_fits_into_the_nights_of_nine_tenths_of_the_age(
    data: st.DataObject, age: int, gap: int, a_night: int
) -> None:
    """Three intervals long, from one large offload on, in a rhythm that stretches by a quarter."""
    gaps = data.draw(st.lists(st.integers(gap, gap + gap // 4), min_size=1, max_size=12))
    nights = every(cycle(gaps), days=3 * age)
    drive = Drive([], nights, a_night, age, age // 6)
    passes = int((age - drive.rest) // max(gaps))
    assume(passes)
    drive.proven = evenly(a_night * passes)
    for day in range(1, 3 * age + 1):
        drive.pass_night(day, level)
        assert not drive.overdue(day)
    assert not drive.late
    assert len(drive.again) == len(drive.proven)


@pytest.mark.parametrize(("gap", "copies"), [(1, 81), (7, 11), (18, 4)])
def test_a_drive_that_is_all_but_full_keeps_up_for_years(gap: int, copies: int) -> None:
    """One copy a night, and so many copies as nine tenths of the interval have nights."""
    drive = Drive(evenly(copies), every(repeat(gap), days=1000), a_night=1)
    for day in range(1, 1000):
        drive.pass_night(day, level)
        assert not drive.overdue(day)


def test_a_drive_that_holds_too_much_goes_round_all_the_same() -> None:
    """Twice of what can be kept: each copy is read every 180 days, none is forgotten for another."""
    drive = Drive(evenly(180), every(repeat(1), days=720), a_night=1)
    last = dict.fromkeys(range(180), 0.0)
    for day in range(1, 720):
        before = list(drive.proven)
        drive.pass_night(day, level)
        for copy, (was, at) in enumerate(zip(before, drive.proven, strict=True)):
            if at != was:
                assert day - last[copy] <= 190
                last[copy] = day
    assert min(last.values()) >= 720 - 190


# -- spread, not bunched


@pytest.mark.slow
def test_after_one_large_offload_each_night_has_its_share_where_one_night_had_it_all() -> None:
    copies, days = 1200, 300
    nights = every(repeat(1), days=days)
    ours = Drive(evenly(copies), nights, copies).pass_nights(range(1, days), level)
    theirs = Drive(evenly(copies), nights, copies).pass_nights(range(1, days), plain)
    assert max(theirs.read.values()) >= 0.99 * copies, "the bunch that the schedule is against"
    assert max(ours.read.values()) <= EVEN_SHARE * copies / 90
    begun = min(ours.read)
    assert begun == 9, "a tenth of the age after the offload"
    assert all(ours.read[day] >= copies / 90 for day in range(begun + 1, days)), "no idle night"
    for day in range(days - 90):
        assert sum(ours.read[night] for night in range(day, day + 90)) <= AN_INTERVAL * copies


@pytest.mark.parametrize("gap", [2, 3, 5, 7, 10, 14, 20, 30])
def test_where_it_comes_now_and_then_the_visits_share_the_work(gap: int) -> None:
    """Shares of the visits in an interval; a visit that may be the last counted on has to do more."""
    copies, days = 600, 400
    drive = Drive(evenly(copies), every(repeat(gap), days=days), copies)
    drive.pass_nights(range(1, days), level)
    assert not drive.late
    visits = 90 // gap
    assert max(drive.read.values()) <= (EVEN_SHARE + 0.5) * copies / visits
    in_all = sum(drive.read.values()) / copies / (days / 90)
    assert in_all <= (1.45 if visits > 6 else 2)


@pytest.mark.parametrize("copies", [1, 2, 3, 10, 50, 300])
@pytest.mark.parametrize("gap", [1, 2, 5])
def test_few_large_copies_are_not_read_oftener_than_many_small_ones(copies: int, gap: int) -> None:
    """A share of less than one copy is no copy on most nights, not one on each."""
    nights = every(repeat(gap), days=900)
    drive = Drive(evenly(copies), nights, copies).pass_nights(range(1, 900), level)
    assert not drive.late
    assert sum(drive.read.values()) <= AN_INTERVAL * copies * 10


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 120), st.integers(1, 60)), min_size=1, max_size=8))
def test_however_offloads_come_no_night_of_a_drive_that_stays_reads_much_more_than_a_share(
    offloads: list[tuple[int, int]],
) -> None:
    drive = Drive([], every(repeat(1), days=300), a_night=600)
    for day in range(300):
        before = len(drive.proven)
        drive.pass_night(day, level)
        assert drive.read[day] <= 1 + EVEN_SHARE * before / 90
        for place, (when, count) in enumerate(offloads):
            if when == day:
                drive.proven += evenly(count, day=day + 0.3 + place / 100, over=0.005)
        assert not drive.overdue(day)


@pytest.mark.slow
def test_after_an_absence_it_catches_up_and_then_is_level_again() -> None:
    """Here every night, away for two months: the copies that fell due are read at once."""
    nights = frozenset(night for night in range(-90, 420) if not 100 <= night < 160)
    drive = Drive(evenly(900), nights, a_night=300)
    for day in range(1, 420):
        drive.pass_night(day, level)
        assert day in range(100, 161) or not drive.overdue(day)
    assert max(drive.read[day] for day in range(163, 420)) <= 4 * 900 / 90, "not counted on so soon"
    assert max(drive.read[day] for day in range(260, 420)) <= EVEN_SHARE * 900 / 90


@pytest.mark.slow
@pytest.mark.parametrize(("part", "a_night"), [(0.5, 6), (0.1, 27), (0.05, 53)])
def test_where_nights_come_by_chance_far_less_is_ever_too_old_than_under_the_plain_rule(
    part: float, a_night: int
) -> None:
    """Twice the capacity that is needed on average; the same histories for both; seeds are fixed.

    Seen over 900 days: 0.2 % of proofs too old to 3.0 % (here one night in five), 2.2 % to 10 % (one
    in twenty).
    """
    too_old = {level: 0, plain: 0}
    for seed, rule in product(range(4), too_old):
        chance = random.Random(seed)
        nights = frozenset(night for night in range(-90, 400) if chance.random() < part)
        drive = Drive(evenly(120), nights, a_night)
        for day in range(1, 400):
            drive.pass_night(day, rule)
            too_old[rule] += len(drive.overdue(day))
    assert too_old[plain] > 0
    assert too_old[level] <= too_old[plain] / 2
