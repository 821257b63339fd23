"""How long what failed is left alone, and that a success ends it."""

from dataclasses import replace
from datetime import timedelta

from hypothesis import given, strategies as st

from backupkeeper.core.deeds import Setback
from backupkeeper.core.model import Event, EventKind, PlaceId
from backupkeeper.core.patience import (
    FIRST,
    MOST_FOR_A_BUCKET,
    MOST_FOR_A_DRIVE,
    MOST_FOR_A_LINE,
    SPREAD,
    line_of,
    setbacks,
    shut_of,
    spread_of,
    subject_of_bucket,
    subject_of_drive,
    subject_of_line,
    subject_of_shut,
    subjects_of_bucket,
    until,
    waits,
)
from tests.core.made_up_copies import MAIN, NOW, VAULT

DRIVE, BUCKET = subject_of_drive(MAIN, "token"), subject_of_bucket(VAULT)
MINUTE = timedelta(minutes=1)


def event(minutes: float, kind: EventKind = EventKind.FAILED, subject: str = DRIVE) -> Event:
    return Event(at=NOW + minutes * MINUTE, kind=kind, subject=subject, detail=f"No {minutes}.")


def setback(count: int) -> Setback:
    return Setback(count=count, last_at=NOW, message="No.")


def test_it_is_tried_again_after_a_minute_then_twice_as_long_each_time() -> None:
    spans = [(until(setback(count), DRIVE) - NOW) / MINUTE for count in range(1, 6)]
    assert spans == [1, 2, 4, 8, 16]


@given(st.integers(1, 10**6))
def test_no_wait_is_shorter_than_the_first_or_longer_than_the_bound(count: int) -> None:
    for subject, most in (
        (DRIVE, MOST_FOR_A_DRIVE),
        ("a|deed", MOST_FOR_A_DRIVE),
        (BUCKET, MOST_FOR_A_BUCKET),
        (subject_of_shut(VAULT), MOST_FOR_A_BUCKET),
        (subject_of_line(VAULT), MOST_FOR_A_LINE),
    ):
        assert FIRST <= until(setback(count), subject) - NOW <= most
    assert until(setback(1000), BUCKET) - NOW == MOST_FOR_A_BUCKET


def test_failures_are_counted_from_the_last_success_on() -> None:
    told = [
        event(0),
        event(1),
        event(2, EventKind.WORKED),
        event(3),
        event(4),
        event(1, subject=BUCKET),
        event(9, EventKind.RAN),
    ]
    found = setbacks(reversed(told))
    assert found[DRIVE] == Setback(
        count=2, last_at=NOW + 4 * MINUTE, message="No 4.", first_at=NOW + 3 * MINUTE
    )
    assert found[BUCKET].count == 1


def test_a_success_at_the_same_instant_counts_after_the_failure() -> None:
    assert setbacks([event(0, EventKind.WORKED), event(0)]) == {}


def test_a_success_without_a_failure_is_no_news() -> None:
    assert setbacks([event(0, EventKind.WORKED)]) == {}


def test_the_longest_wait_is_told() -> None:
    found = {DRIVE: setback(1), BUCKET: setback(3)}
    assert waits(found, [DRIVE, BUCKET, "other"], NOW) == BUCKET
    assert waits(found, [DRIVE, BUCKET], NOW + 2 * MINUTE) == BUCKET
    assert waits(found, [DRIVE, BUCKET], NOW + 4 * MINUTE) is None
    assert waits({}, [DRIVE], NOW) is None


def test_a_drive_that_is_plugged_in_again_has_not_failed_yet() -> None:
    assert subject_of_drive(PlaceId("a"), "one") != subject_of_drive(PlaceId("a"), "two")


@given(st.text(max_size=20), st.integers(1, 40))
def test_chance_makes_a_wait_longer_by_a_quarter_at_most_and_the_same_chance_the_same(
    chance: str, count: int
) -> None:
    spread = spread_of(chance, BUCKET, count)
    assert 0 <= spread < 1
    assert spread == spread_of(chance, BUCKET, count)
    plain = until(setback(count), BUCKET) - NOW
    longer = until(replace(setback(count), spread=spread), BUCKET) - NOW
    assert plain <= longer <= plain * (1 + SPREAD)


def test_two_machines_that_failed_together_try_again_apart() -> None:
    told = [event(0), event(1), event(2)]
    one, other = setbacks(told, "one machine"), setbacks(told, "another")
    assert until(one[DRIVE], DRIVE) != until(other[DRIVE], DRIVE)
    assert one == setbacks(told, "one machine")
    assert setbacks(told)[DRIVE].spread == 0.0


def test_what_is_counted_under_a_bucket_is_told_apart() -> None:
    plain, line, shut = subjects_of_bucket(VAULT)
    assert [line_of(one) for one in (plain, line, shut)] == [None, VAULT, None]
    assert [shut_of(one) for one in (plain, line, shut)] == [None, None, VAULT]
