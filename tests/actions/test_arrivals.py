"""How fast a line was is remembered, and what follows from it for what is still to go."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, timedelta

import pytest

from backupkeeper.actions.arrivals import arrivals, measuring, sample_event, samples
from backupkeeper.core.arrival import HELD, NOT_MEASURED, Sample
from backupkeeper.core.deeds import RollNeed, Want
from backupkeeper.core.line import LineRule
from backupkeeper.core.model import Event, EventKind
from tests.actions.survey_world import MAIN, VAULT, World, place, world
from tests.catalog.made import Watch
from tests.core.made_up_views import need

MIB, GB, HOUR = 1024 * 1024, 10**9, timedelta(hours=1)


@pytest.fixture
def yard() -> Iterator[World]:
    with world() as found:
        found.mine.put_place(place(MAIN))
        found.mine.put_place(place(VAULT))
        yield found


def lacking(size: int) -> RollNeed:
    return need(wants={VAULT: Want(files=1, size_bytes=size, sources={MAIN: 1})})


def note(yard: World, count: int, seconds: float, limit: float | None = None) -> None:
    event = sample_event(VAULT, count, seconds, limit, yard.clock.at)
    assert event is not None
    yard.mine.note([event])


def test_a_measurement_comes_back_as_it_was_and_anything_else_is_passed_over(yard: World) -> None:
    note(yard, 5 * MIB, 4.5, 2_500_000)
    note(yard, 9 * MIB, 600.0)
    at = yard.clock.at
    yard.mine.note(
        Event(at=at, kind=EventKind.MOVED, subject=subject, detail=detail)
        for subject, detail in (
            (f"line|{VAULT}", "many seconds"),
            (f"line|{VAULT}", "1 2"),
            (f"upload|{VAULT}", "9 9.0"),
        )
    )
    assert samples(yard.context, at) == {
        VAULT: [
            Sample(at=at, byte_count=5 * MIB, seconds=4.5, limit=2_500_000),
            Sample(at=at, byte_count=9 * MIB, seconds=600.0),
        ]
    }
    assert sample_event(VAULT, MIB - 1, 60, None, at) is None
    assert sample_event(VAULT, MIB, 1.9, None, at) is None


def test_what_a_bucket_lacks_arrives_within_a_range_once_anything_was_measured(
    yard: World,
) -> None:
    (unknown,) = arrivals(yard.context, [lacking(GB), lacking(GB)], UTC)
    assert (unknown.place, unknown.to_go, unknown.why) == ("Vault", 2 * GB, NOT_MEASURED)
    note(yard, 600 * 10**6, 600.0)
    (told,) = arrivals(yard.context, [lacking(3600 * 10**6)], UTC)
    assert told.earliest is not None
    assert told.latest is not None
    assert told.earliest < yard.clock.at + HOUR < told.latest
    slow = LineRule(limit=500_000)
    (slower,) = arrivals(yard.context, [lacking(3600 * 10**6)], UTC, rule=slow)
    assert slower.earliest == yard.clock.at + 2 * HOUR
    (rest,) = arrivals(yard.context, [lacking(GB)], UTC, left={(VAULT, need().roll.id): 7})
    assert rest.to_go == 7, "what is on its way of a file is not to go"
    assert arrivals(yard.context, [lacking(GB)], UTC, left={(VAULT, need().roll.id): 0}) == ()
    (held,) = arrivals(yard.context, [lacking(GB)], UTC, held="You asked for a pause.")
    assert held.why == HELD
    assert arrivals(yard.context, [need()], UTC) == ()


class Stopwatch(Watch):
    """Its stopwatch goes with its time."""

    def monotonic(self) -> float:
        return self.at.timestamp()


def test_an_upload_by_hand_is_measured_even_if_it_breaks_off(yard: World) -> None:
    passed, clock = [7 * MIB], Stopwatch(at=yard.clock.at)
    context = replace(yard.context, clock=clock)

    def stopped() -> None:
        with measuring(context, lambda: passed[0], lambda: 8_000.0):
            passed[0] += 3 * MIB
            clock.at += timedelta(seconds=30)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    ((sample,),) = samples(context, clock.at).values()
    assert (sample.byte_count, sample.seconds, sample.limit) == (3 * MIB, 30.0, 8_000.0)
    with measuring(context, lambda: passed[0], lambda: None):
        clock.at += timedelta(seconds=30)
    assert len(samples(context, clock.at)[VAULT]) == 1, "nothing was sent"
