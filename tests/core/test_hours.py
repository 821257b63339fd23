"""Windows in the person's own time, over midnight and over changes of the clocks; the night's budget."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.deeds import Hours
from backupkeeper.core.hours import (
    WeekTime,
    Window,
    hours_at,
    is_in,
    may_disturb,
    next_edge,
    next_week,
    spans_around,
)

BERLIN = ZoneInfo("Europe/Berlin")
HOUR, MINUTE, DAY = timedelta(hours=1), timedelta(minutes=1), timedelta(days=1)
NIGHT = Window(start=time(1), end=time(6))
LATE = Window(start=time(22), end=time(7))
BUDGET_S = 2 * 3600.0
times = st.times().map(lambda at: at.replace(second=0, microsecond=0))
windows = st.builds(Window, start=times, end=times).filter(lambda one: one.start != one.end)
moments = st.datetimes(datetime(2026, 3, 25), datetime(2026, 11, 3)).map(  # noqa: DTZ001 - zone below
    lambda at: at.replace(second=0, microsecond=0, tzinfo=UTC)
)


def berlin(day: int, hour: int, minute: int = 0, *, month: int = 6) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=BERLIN).astimezone(UTC)


@pytest.mark.parametrize(
    ("window", "hour", "minute", "inside"),
    [
        (NIGHT, 0, 59, False),
        (NIGHT, 1, 0, True),
        (NIGHT, 5, 59, True),
        (NIGHT, 6, 0, False),
        (LATE, 21, 59, False),
        (LATE, 22, 0, True),
        (LATE, 0, 0, True),
        (LATE, 6, 59, True),
        (LATE, 7, 0, False),
    ],
)
def test_a_window_begins_at_its_start_and_ends_before_its_end(
    window: Window, hour: int, minute: int, inside: bool
) -> None:
    assert is_in(window, berlin(12, hour, minute), BERLIN) is inside


@given(windows, moments)
def test_the_next_edge_is_where_the_answer_changes_and_not_before(
    window: Window, now: datetime
) -> None:
    edge = next_edge([window], now, BERLIN)
    assert edge is not None
    assert now < edge <= now + DAY + HOUR
    inside, at = is_in(window, now, BERLIN), now
    while at < edge:
        assert is_in(window, at, BERLIN) is inside
        at += 7 * MINUTE
    # A window that the change of the clocks swallowed whole has no inside to enter.
    spans = spans_around(window, edge, BERLIN)
    assert any(edge in span for span in spans)


def test_no_window_has_no_edge() -> None:
    assert next_edge([], berlin(12, 3), BERLIN) is None


def test_a_window_in_the_hour_that_is_left_out_in_spring_is_left_out() -> None:
    """29 March 2026, 02:00 to 03:00 is not there in Berlin (IANA time zone database)."""
    window = Window(start=time(2, 10), end=time(2, 50))
    assert not any(
        is_in(window, berlin(29, 0, month=3) + minutes * MINUTE, BERLIN) for minutes in range(300)
    )
    across = Window(start=time(2, 30), end=time(4))
    inside = [
        minutes
        for minutes in range(600)
        if is_in(across, berlin(29, 0, month=3) + minutes * MINUTE, BERLIN)
    ]
    assert inside == list(range(120, 180)), "from the change (03:00) to 04:00"


def test_a_window_over_the_hour_that_comes_twice_in_autumn_is_one_window() -> None:
    """25 October 2026, 02:00 to 03:00 comes twice in Berlin."""
    window = Window(start=time(1), end=time(4))
    begin = berlin(25, 0, month=10)
    inside = [m for m in range(420) if is_in(window, begin + m * MINUTE, BERLIN)]
    assert inside == list(range(60, 300))


def test_quiet_hours_are_for_no_disturbance() -> None:
    assert may_disturb(berlin(12, 12), BERLIN, LATE)
    assert not may_disturb(berlin(12, 23), BERLIN, LATE)
    assert may_disturb(berlin(12, 23), BERLIN, None)


@given(moments, st.integers(0, 6), times)
def test_that_moment_of_the_week_comes_within_a_week(now: datetime, day: int, at: time) -> None:
    found = next_week(WeekTime(weekday=day, at=at), now, BERLIN)
    assert now < found <= now + 7 * DAY + HOUR
    local = found.astimezone(BERLIN)
    assert local.weekday() == day
    if local.replace(tzinfo=None).time() != at:  # only where the clocks leave that time out
        assert (local - HOUR).replace(tzinfo=None).time() <= at or local.hour == 3


# -- the night's proofs


def hours(
    now: datetime, *, used: float = 0.0, away: tuple[tuple[datetime, datetime], ...] = ()
) -> Hours:
    return hours_at(
        now,
        tz=BERLIN,
        upload_windows=(),
        proof_window=NIGHT,
        proof_budget_s=BUDGET_S,
        used=[(now - MINUTE, used)] if used else [],
        away=away,
    )


def test_within_the_night_there_is_what_is_left_of_its_budget() -> None:
    assert hours(berlin(12, 2)).proof_s == BUDGET_S
    assert hours(berlin(12, 2), used=1800).proof_s == BUDGET_S - 1800
    assert hours(berlin(12, 2), used=2 * BUDGET_S).proof_s == 0
    assert hours(berlin(12, 2)).changes_at == berlin(12, 6)


def test_a_proof_that_begins_late_in_the_night_ends_with_it() -> None:
    assert hours(berlin(12, 5, 50)).proof_s == 600
    assert hours(berlin(12, 5, 50), used=BUDGET_S - 300).proof_s == 300


def test_a_clock_set_back_in_the_night_gives_no_second_budget() -> None:
    ended = [(berlin(12, 4), BUDGET_S)]
    for now in (berlin(12, 3), berlin(12, 4), berlin(12, 5)):
        told = hours_at(
            now, tz=BERLIN, upload_windows=(), proof_window=NIGHT, proof_budget_s=BUDGET_S,
            used=ended, away=(),
        )  # fmt: skip
        assert told.proof_s == 0


def test_by_day_there_is_only_what_sleep_took_from_the_night() -> None:
    assert hours(berlin(12, 9)).proof_s == 0
    assert hours(berlin(12, 9)).changes_at == berlin(13, 1)
    slept = ((berlin(11, 22), berlin(12, 8)),)
    assert hours(berlin(12, 9), away=slept).proof_s == BUDGET_S
    assert hours(berlin(12, 9), away=slept, used=1800).proof_s == BUDGET_S - 1800
    half = ((berlin(12, 5), berlin(12, 8)),)
    assert hours(berlin(12, 9), away=half).proof_s == 3600


def test_absences_that_overlap_are_counted_once() -> None:
    twice = ((berlin(12, 5), berlin(12, 6)), (berlin(12, 5, 30), berlin(12, 9)))
    assert hours(berlin(12, 10), away=twice).proof_s == 3600


def test_without_a_window_the_budget_is_for_a_day() -> None:
    told = hours_at(
        berlin(12, 15),
        tz=BERLIN,
        upload_windows=(),
        proof_window=None,
        proof_budget_s=BUDGET_S,
        used=[(berlin(12, 14), 600.0), (berlin(11, 14), 9999.0)],
        away=(),
    )
    assert told.proof_s == BUDGET_S - 600
    assert told.changes_at == berlin(13, 0)


def test_uploads_go_on_in_their_windows_and_always_where_there_are_none() -> None:
    def told(hour: int) -> tuple[bool, datetime | None]:
        found = hours_at(
            berlin(12, hour),
            tz=BERLIN,
            upload_windows=[LATE],
            proof_window=NIGHT,
            proof_budget_s=BUDGET_S,
            used=(),
            away=(),
        )
        return found.may_upload, found.changes_at

    assert told(12) == (False, berlin(12, 22))
    assert told(23) == (True, berlin(13, 1))
    assert hours(berlin(12, 12)).may_upload


@given(moments, st.lists(st.tuples(moments, st.integers(1, 600)), max_size=4))
def test_no_night_ever_gets_more_than_its_budget(
    now: datetime, naps: list[tuple[datetime, int]]
) -> None:
    away = tuple((begin, begin + minutes * MINUTE) for begin, minutes in naps)
    spent, at = 0.0, now
    used: list[tuple[datetime, float]] = []
    night = max(span[0] for span in spans_around(NIGHT, now, BERLIN) if span[0] <= now)
    end = min(span[0] for span in spans_around(NIGHT, now, BERLIN) if span[0] > night)
    while at < end:
        found = hours_at(
            at, tz=BERLIN, upload_windows=(), proof_window=NIGHT, proof_budget_s=BUDGET_S,
            used=used, away=away,
        )  # fmt: skip
        if found.proof_s > 0:
            done = min(found.proof_s, 1200.0)
            at += timedelta(seconds=done)
            used.append((at, done))
            spent += done
        at += 20 * MINUTE
    assert spent <= BUDGET_S + 1
