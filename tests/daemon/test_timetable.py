"""What is due by the calendar, once, whatever sleeps between; and waking for it."""

import random
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.hours import WeekTime, Window
from backupkeeper.core.mailing import WEEKLY_REPORT
from backupkeeper.daemon.timetable import Timetable

BERLIN = ZoneInfo("Europe/Berlin")
MONDAY = WeekTime(weekday=0, at=time(8))
HOUR, DAY, WEEK = timedelta(hours=1), timedelta(days=1), timedelta(days=7)
DEADLINE_S = 10.0


def made(weekly: WeekTime | None = MONDAY) -> Timetable:
    return Timetable(weekly=weekly, windows=(), tz=BERLIN, wake=lambda: None)


def berlin(month: int, day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=BERLIN).astimezone(UTC)


def lived(
    weekly: WeekTime, begin: datetime, days: int, asleep: list[tuple[datetime, datetime]]
) -> list[datetime]:
    """When a daemon that looks every half an hour, unless asleep, sent its reports."""
    table, sent = made(weekly), list[datetime]()
    at = begin
    while at < begin + days * DAY:
        gone = next((end for start, end in asleep if start <= at < end), None)
        if gone is not None:
            at = gone
            continue
        last = {WEEKLY_REPORT: sent[-1]} if sent else {}
        if WEEKLY_REPORT in table.due(at, last, begin):
            sent.append(at)
        at += HOUR / 2
    return sent


def test_nothing_before_the_first_run_was_missed() -> None:
    since = berlin(6, 8, 8, 1)
    assert made().due(since, {}, since) == ()
    assert made().due(berlin(6, 15, 7, 59), {}, since) == ()
    assert made().due(berlin(6, 15, 8), {}, since) == (WEEKLY_REPORT,)


def test_what_was_done_is_due_no_more_until_the_next_week() -> None:
    since, done = berlin(6, 1, 0), {WEEKLY_REPORT: berlin(6, 15, 8)}
    assert made().due(berlin(6, 15, 8), done, since) == ()
    assert made().due(berlin(6, 22, 7, 59), done, since) == ()
    assert made().due(berlin(6, 22, 8), done, since) == (WEEKLY_REPORT,)


def test_weeks_that_were_missed_are_caught_up_once() -> None:
    since, now = berlin(6, 1, 0), berlin(7, 16, 12)
    assert made().due(now, {WEEKLY_REPORT: berlin(6, 8, 8)}, since) == (WEEKLY_REPORT,)
    assert made().due(now, {WEEKLY_REPORT: now}, since) == ()
    assert made().due(now + 3 * DAY, {WEEKLY_REPORT: now}, since) == ()


def test_a_clock_that_was_set_back_sends_nothing_twice() -> None:
    since, sent = berlin(6, 1, 0), {WEEKLY_REPORT: berlin(6, 15, 8, 1)}
    for minutes in range(0, 14 * 24 * 60, 37):
        at = berlin(6, 15, 8, 1) - timedelta(minutes=minutes)
        assert made().due(at, sent, since) == ()
    for minutes in range(60):
        assert made().due(berlin(6, 15, 7, 30) + timedelta(minutes=minutes), sent, since) == ()
    assert made().due(since - DAY, {}, since) == (), "before the first run, even"


def test_never_is_never() -> None:
    assert made(None).due(berlin(6, 15, 8), {}, berlin(1, 1, 0)) == ()
    assert made(None).next_due(berlin(6, 15, 8)) is None


def test_what_comes_next_is_after_now() -> None:
    assert made().next_due(berlin(6, 15, 7)) == berlin(6, 15, 8)
    assert made().next_due(berlin(6, 15, 8)) == berlin(6, 22, 8)


@pytest.mark.parametrize(
    ("month", "day"), [(3, 29), (10, 25)], ids=["left out in spring", "twice in autumn"]
)
def test_a_time_within_a_change_of_the_clocks_comes_once(month: int, day: int) -> None:
    """Both are Sundays; 02:00 to 03:00 is left out, and comes twice (IANA time zone database)."""
    weekly = WeekTime(weekday=6, at=time(2, 30))
    begin = berlin(month, day, 12) - 10 * DAY
    sent = lived(weekly, begin, 21, [])
    assert [at.astimezone(BERLIN).isocalendar().week for at in sent] == sorted(
        {at.astimezone(BERLIN).isocalendar().week for at in sent}
    )
    assert len(sent) == 3


@settings(deadline=None, max_examples=15)
@given(st.randoms(use_true_random=False), st.integers(0, 6), st.integers(0, 23))
def test_thirty_days_with_a_laptop_closed_at_random_nights_send_every_report_once(
    chance: random.Random, weekday: int, hour: int
) -> None:
    begin = berlin(3, 11, 12)
    nights = [begin + number * DAY + 9 * HOUR for number in range(40) if chance.random() < 0.6]
    asleep = [(at, at + timedelta(minutes=chance.randrange(30, 13 * 60))) for at in nights]
    weekly = WeekTime(weekday=weekday, at=time(hour))
    sent = lived(weekly, begin, 30, asleep)
    wanted = [
        at
        for number in range(31)
        if (at := datetime.combine(
            (begin + number * DAY).astimezone(BERLIN).date(), time(hour), tzinfo=BERLIN
        ).astimezone(UTC)).astimezone(BERLIN).weekday() == weekday
        and begin < at < begin + 29 * DAY
    ]  # fmt: skip
    assert len(wanted) <= len(sent) <= len(wanted) + 1, "one more may be due in the last day"
    for due, came in zip(wanted, sent, strict=False):
        assert due <= came <= due + 14 * HOUR


def test_a_year_with_a_laptop_that_is_closed_for_weeks_sends_each_report_once_and_none_in_vain() -> (
    None
):
    begin = berlin(1, 1, 12)
    away = [(berlin(2, 1, 0), berlin(2, 27, 9)), (berlin(8, 3, 7), berlin(8, 3, 9))]
    sent = lived(MONDAY, begin, 364, away)
    mondays = {at - timedelta(days=at.astimezone(BERLIN).weekday()) for at in sent}
    assert len({at.date() for at in mondays}) == len(sent), "no week twice"
    assert len(sent) == 52 - 4 + 1, "52 Mondays at eight; 4 fell into February's holiday"
    late = [at for at in sent if at.astimezone(BERLIN).time() != time(8)]
    assert late == [berlin(2, 27, 9), berlin(8, 3, 9)]


# -- the real scheduler


@pytest.fixture
def rung() -> threading.Event:
    return threading.Event()


@pytest.fixture
def running(rung: threading.Event) -> Iterator[Timetable]:
    night = Window(start=time(1), end=time(6))
    table = Timetable(weekly=MONDAY, windows=(night,), tz=BERLIN, wake=rung.set)
    table.start()
    yield table
    table.stop()


def test_an_alarm_wakes_and_one_whose_time_has_passed_does_at_once(
    running: Timetable, rung: threading.Event
) -> None:
    running.alarm(berlin(1, 1, 0))
    assert rung.wait(DEADLINE_S)


def test_an_alarm_takes_the_place_of_the_one_before(
    running: Timetable, rung: threading.Event
) -> None:
    running.alarm(datetime(2999, 1, 1, tzinfo=UTC))
    running.alarm(berlin(1, 1, 0))
    assert rung.wait(DEADLINE_S)


def test_taking_back_an_alarm_that_rang_or_never_was_is_nothing(
    running: Timetable, rung: threading.Event
) -> None:
    running.alarm(None)
    running.alarm(berlin(1, 1, 0))
    assert rung.wait(DEADLINE_S)
    for _ in range(3):
        running.alarm(None)
    running.alarm(datetime(2999, 1, 1, tzinfo=UTC))
    running.alarm(None)


def test_a_stopped_timetable_leaves_no_thread_and_takes_no_alarm(rung: threading.Event) -> None:
    before = set(threading.enumerate())
    table = Timetable(weekly=None, windows=(), tz=BERLIN, wake=rung.set)
    table.alarm(berlin(1, 1, 0))
    table.start()
    table.stop()
    table.stop()
    table.alarm(berlin(1, 1, 0))
    assert not {one for one in threading.enumerate() if one not in before and one.is_alive()}
    assert not rung.is_set()


def test_stopping_at_the_very_instant_at_which_it_rings_harms_nothing(
    rung: threading.Event,
) -> None:
    """A scheduler that is shut down as it puts a rung alarm away would die of not finding it."""
    for _ in range(100):
        table = Timetable(weekly=None, windows=(), tz=BERLIN, wake=rung.set)
        table.start()
        table.alarm(berlin(1, 1, 0))
        assert rung.wait(DEADLINE_S)
        table.stop()
        rung.clear()
