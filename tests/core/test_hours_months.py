"""The hours of months: laptops closed at night, months of changes of the clocks, minute by minute."""

import random
from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.deeds import Hours
from backupkeeper.core.hours import Span, WeekTime, Window, hours_at, is_in, next_week

BERLIN = ZoneInfo("Europe/Berlin")
LISBON = ZoneInfo("Europe/Lisbon")
HOUR, MINUTE, DAY = timedelta(hours=1), timedelta(minutes=1), timedelta(days=1)
NIGHT = Window(start=time(1), end=time(6))
BUDGET_S = 2 * 3600.0
SPRING, AUTUMN = datetime(2026, 3, 20, 12, tzinfo=UTC), datetime(2026, 10, 16, 12, tzinfo=UTC)
times = st.integers(0, 24 * 60 - 1).map(lambda minutes: time(minutes // 60, minutes % 60))
windows = st.builds(Window, start=times, end=times).filter(lambda one: one.start != one.end)
near_changes = st.builds(
    lambda begin, minutes: begin + minutes * MINUTE,
    st.sampled_from([SPRING + 8 * DAY, AUTUMN + 8 * DAY]),
    st.integers(0, 36 * 60),
)


def allowed(
    now: datetime,
    *,
    upload: Sequence[Window] = (),
    proof: Window | None = NIGHT,
    used: Sequence[tuple[datetime, float]] = (),
    away: Sequence[Span] = (),
) -> Hours:
    return hours_at(
        now,
        tz=BERLIN,
        upload_windows=upload,
        proof_window=proof,
        proof_budget_s=BUDGET_S,
        used=used,
        away=away,
    )


def kinds(told: Hours) -> tuple[bool, bool]:
    return told.may_upload, told.proof_s > 0


@settings(deadline=None, max_examples=25)
@given(near_changes, st.lists(windows, max_size=2), st.none() | windows)
def test_until_changes_at_nothing_changes_minute_by_minute(
    now: datetime, upload: list[Window], proof: Window | None
) -> None:
    told = allowed(now, upload=upload, proof=proof)
    assert told.changes_at is not None
    at = now
    while at < told.changes_at:
        assert kinds(allowed(at, upload=upload, proof=proof)) == kinds(told)
        at += MINUTE
    assert at == told.changes_at, "whole minutes, as windows are"


def test_changes_at_is_where_it_changes_and_no_other_minute() -> None:
    """Windows that don't touch: over three days every edge, and nothing but edges."""
    upload = [Window(start=time(8), end=time(9)), Window(start=time(22), end=time(0, 30))]
    now, changed = AUTUMN + 8 * DAY, []
    edges = [told.changes_at for told in [allowed(now, upload=upload)]]
    for minutes in range(1, 3 * 24 * 60):
        at = now + minutes * MINUTE
        before, told = allowed(at - MINUTE, upload=upload), allowed(at, upload=upload)
        if kinds(before) != kinds(told):
            changed.append(at)
        if told.changes_at != edges[-1]:
            edges.append(told.changes_at)
    assert len(changed) == 6 * 3
    assert edges[: len(changed)] == changed


def worked(begin: datetime, days: int, away: list[Span]) -> list[tuple[datetime, float]]:
    """A daemon that proves whenever it may and is not away, ten minutes at a time."""
    used: list[tuple[datetime, float]] = []
    at = begin
    while at < begin + days * DAY:
        gone = next((end for start, end in away if start <= at < end), None)
        if gone is not None:
            at = gone
            continue
        known = [span for span in away if span[1] <= at and span[1] > at - 3 * DAY]
        recent = [one for one in used if one[0] > at - 3 * DAY]
        seconds = min(600.0, allowed(at, used=recent, away=known).proof_s)
        at += 10 * MINUTE
        if seconds > 0:
            used.append((at, seconds))
    return used


def by_night(used: list[tuple[datetime, float]]) -> dict[datetime, float]:
    """Seconds by the local date of the night they belong to (from one o'clock to the next)."""
    found: dict[datetime, float] = {}
    for ended, seconds in used:
        local = (ended - MINUTE).astimezone(BERLIN).replace(tzinfo=None)
        night = (local - HOUR).replace(hour=0, minute=0, second=0, microsecond=0)
        found[night] = found.get(night, 0.0) + seconds
    return found


@pytest.mark.parametrize("begin", [SPRING, AUTUMN])
def test_a_laptop_closed_every_night_proves_its_budget_every_day(begin: datetime) -> None:
    first = begin.replace(hour=21)
    away = [(first + number * DAY, first + number * DAY + 10 * HOUR) for number in range(15)]
    nights = by_night(worked(begin, 15, away))
    whole = sorted(nights)[:-1]
    assert len(whole) >= 13
    assert {nights[night] for night in whole} == {BUDGET_S}


@settings(deadline=None, max_examples=12)
@given(st.randoms(use_true_random=False), st.sampled_from([SPRING, AUTUMN]))
def test_no_night_gets_more_than_its_budget_and_none_is_caught_up_twice(
    chance: random.Random, begin: datetime
) -> None:
    away: list[Span] = []
    at = begin
    while at < begin + 12 * DAY:
        at += timedelta(minutes=chance.randrange(10, 30 * 60))
        end = at + timedelta(minutes=chance.randrange(10, 20 * 60))
        away.append((at, end))
        at = end
    used = worked(begin, 12, away)
    nights = by_night(used)
    assert all(seconds <= BUDGET_S for seconds in nights.values())
    for ended, _ in used:
        if not is_in(NIGHT, ended - MINUTE, BERLIN):
            night = (ended.astimezone(BERLIN) - HOUR).date()
            begun = datetime.combine(night, NIGHT.start, tzinfo=BERLIN)
            assert any(start < begun + 5 * HOUR and end > begun for start, end in away), (
                "by day only what an absence took from the night"
            )


def test_what_was_awake_is_not_caught_up() -> None:
    noon = datetime(2026, 6, 12, 10, tzinfo=UTC)
    assert allowed(noon, away=[(noon - 3 * HOUR, noon - HOUR)]).proof_s == 0
    assert allowed(noon, away=[(noon - 2 * DAY, noon - DAY)]).proof_s == 0, "the night before"


def test_another_zone_changes_its_clocks_at_another_local_hour() -> None:
    """Lisbon: 29 March 2026 01:00 becomes 02:00 (IANA time zone database)."""
    window = Window(start=time(1, 15), end=time(1, 45))
    begin = datetime(2026, 3, 29, tzinfo=UTC)
    assert not any(is_in(window, begin + number * MINUTE, LISBON) for number in range(180))
    found = next_week(WeekTime(weekday=6, at=time(1, 30)), begin, LISBON)
    assert found == begin + HOUR, "the moment of the change"


def test_a_whole_day_that_an_island_left_out_has_no_night() -> None:
    """Apia had no 30 December 2011 (IANA time zone database)."""
    apia = ZoneInfo("Pacific/Apia")
    begin = datetime(2011, 12, 29, 0, tzinfo=apia).astimezone(UTC)
    inside = [n for n in range(72 * 60) if is_in(NIGHT, begin + n * MINUTE, apia)]
    assert len(inside) == 3 * 5 * 60
    for hour in range(72):
        told = hours_at(
            begin + hour * HOUR, tz=apia, upload_windows=(), proof_window=NIGHT,
            proof_budget_s=BUDGET_S, used=(), away=(),
        )  # fmt: skip
        assert told.changes_at is not None
        assert told.changes_at > begin + hour * HOUR


def test_a_zone_without_changes_needs_no_database() -> None:
    east = timezone(timedelta(hours=5, minutes=30))
    assert is_in(NIGHT, datetime(2026, 6, 11, 19, 30, tzinfo=UTC), east)
    assert not is_in(NIGHT, datetime(2026, 6, 12, 0, 30, tzinfo=UTC), east)
