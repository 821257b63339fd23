"""What the daemon remembers is in the catalog, so it is there after a restart."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.deeds import Pictureless
from backupkeeper.core.model import Event, EventKind
from backupkeeper.core.thinning import RUN
from backupkeeper.daemon.aftermath import Aftermath
from backupkeeper.daemon.memory import Memory
from tests.daemon.made_up import MAIN, NOON, TRAVEL


@dataclass
class Clock:
    at: datetime = NOON

    def now(self) -> datetime:
        return self.at

    def monotonic(self) -> float:
        return self.at.timestamp()

    def later(self, **span: float) -> datetime:
        self.at += timedelta(**span)
        return self.at


@dataclass
class Stand:
    catalog: SqliteCatalog
    clock: Clock

    def memory(self) -> Memory:
        """As after a restart."""
        return Memory(self.catalog, self.clock)


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    clock = Clock()
    with closing(open_catalog(str(tmp_path / "catalog.sqlite"), clock=clock)) as catalog:
        yield Stand(catalog=catalog, clock=clock)


def failed(subject: str, said: str = "No.") -> Aftermath:
    return Aftermath(said="", failed=((subject, said),))


def worked(*subjects: str) -> Aftermath:
    return Aftermath(said="", worked=subjects)


def test_failures_are_counted_over_a_restart_until_something_worked(stand: Stand) -> None:
    for _ in range(2):
        stand.memory().remember(failed("a"), stand.clock.later(minutes=1))
    memory = stand.memory()
    assert memory.setbacks(stand.clock.at)["a"].count == 2
    memory.remember(worked("a", "b"), stand.clock.later(minutes=1))
    assert memory.setbacks(stand.clock.at) == {}
    assert stand.memory().setbacks(stand.clock.at) == {}
    events = list(stand.catalog.events([EventKind.WORKED]))
    assert [event.subject for event in events] == ["a"], "what had not failed is not noted"


def test_a_loop_that_ticks_was_never_away(stand: Stand) -> None:
    memory = stand.memory()
    for _ in range(30):
        memory.tick(stand.clock.later(minutes=1))
    assert memory.away(stand.clock.at) == []


def test_a_sleep_is_noticed_by_the_clock_and_its_span_is_known(stand: Stand) -> None:
    memory = stand.memory()
    memory.tick(stand.clock.at)
    woke = stand.clock.later(hours=8)
    memory.tick(woke)
    assert memory.away(woke) == [(NOON, woke)]


def test_the_time_between_two_runs_was_away(stand: Stand) -> None:
    stand.memory().tick(stand.clock.at)
    woke = stand.clock.later(hours=8)
    memory = stand.memory()
    memory.tick(woke)
    assert memory.away(woke) == [(NOON, woke)]


def test_the_very_first_run_was_not_away(stand: Stand) -> None:
    memory = stand.memory()
    memory.tick(stand.clock.at)
    assert memory.away(stand.clock.at) == []
    assert memory.first_run(stand.clock.at) == NOON
    assert stand.memory().first_run(stand.clock.later(days=3)) == NOON


def test_being_awake_is_noted_now_and_then_only(stand: Stand) -> None:
    memory = stand.memory()
    for _ in range(60):
        memory.tick(stand.clock.later(minutes=1))
    assert len(list(stand.catalog.events([EventKind.SEEN]))) == 6


def test_proof_time_is_that_of_the_busiest_drive(stand: Stand) -> None:
    memory = stand.memory()
    for place, seconds in ((MAIN, "10.0"), (TRAVEL, "3.0"), (MAIN, "5.5"), (MAIN, "rubbish")):
        memory.note(EventKind.PROOF_TIME, place, seconds)
        stand.clock.later(minutes=1)
    assert [seconds for _, seconds in memory.proof_time(stand.clock.at)] == [10.0, 5.5]
    assert memory.proof_time(stand.clock.later(days=4)) == []


def test_cards_are_remembered_by_their_mount(stand: Stand) -> None:
    memory = stand.memory()
    memory.note(EventKind.CARD_TAKEN, "card", '["a", "b"]')
    memory.note(EventKind.CARD_TAKEN, "odd", "rubbish")
    memory.note(EventKind.CARD_TAKEN, "other", '{"a": 1}')
    memory.note(EventKind.CARD_JUDGED, "card", "no")
    stand.clock.later(minutes=1)
    memory.note(EventKind.CARD_JUDGED, "card", "yes")
    again = stand.memory()
    assert again.taken() == {"card": ("a", "b")}
    assert again.judged()["card"].detail == "yes"
    stand.clock.later(minutes=1)
    memory.card_gone("never seen")
    memory.card_gone("card")
    assert again.taken() == {}
    assert again.judged() == {}


def test_places_seen_do_not_count_the_daemon_itself(stand: Stand) -> None:
    memory = stand.memory()
    memory.tick(stand.clock.at)
    memory.note(EventKind.SEEN, MAIN, "token")
    assert memory.seen() == {MAIN: NOON}


def test_rates_come_from_what_was_moved(stand: Stand) -> None:
    memory = stand.memory()
    memory.note(EventKind.MOVED, "upload|b", "1000 2.0")
    memory.note(EventKind.MOVED, "upload|b", "rubbish")
    assert memory.rates(stand.clock.at) == {"upload|b": [(1000, 2.0)]}


def test_what_was_told_and_what_ran_is_the_latest(stand: Stand) -> None:
    memory = stand.memory()
    memory.note(EventKind.RAN, "weekly report")
    again = stand.clock.later(days=7)
    memory.note(EventKind.RAN, "weekly report")
    memory.note(EventKind.TOLD, "away|main", "Main was not here.")
    assert memory.last_ran() == {"weekly report": again}
    assert memory.told() == {
        "away|main": Event(
            at=again, kind=EventKind.TOLD, subject="away|main", detail="Main was not here."
        )
    }


def test_an_absence_with_a_rubbish_beginning_is_passed_over(stand: Stand) -> None:
    memory = stand.memory()
    for detail in ("rubbish", "2026-06-12T00:00:00"):
        memory.note(EventKind.AWAY, "from", detail)
    assert memory.away(stand.clock.at) == []


def test_rolls_want_posters_over_a_restart_until_they_are_made(stand: Stand) -> None:
    memory = stand.memory()
    assert memory.pictureless() == ()
    memory.note(EventKind.POSTERS, "a", '["main", "travel"]')
    stand.clock.later(minutes=1)
    memory.note(EventKind.POSTERS, "b", '["main"]')
    memory.note(EventKind.POSTERS, "odd", "no JSON")
    memory.note(EventKind.POSTERS, "odder", '"main"')
    wanted = (
        Pictureless(folder="b", places=(MAIN,)),
        Pictureless(folder="a", places=(MAIN, TRAVEL)),
    )
    assert stand.memory().pictureless() == wanted
    stand.clock.later(minutes=1)
    memory.note(EventKind.POSTERS, "b", "")
    assert stand.memory().pictureless() == wanted[1:]


def test_thinning_is_due_a_month_after_the_first_run_and_after_the_last_one(stand: Stand) -> None:
    memory = stand.memory()
    assert not memory.thinning_due(stand.clock.at)
    assert not memory.thinning_due(stand.clock.later(days=29))
    assert memory.thinning_due(stand.clock.later(days=1))
    memory.note(EventKind.RAN, RUN)
    assert not stand.memory().thinning_due(stand.clock.later(days=29))
    assert stand.memory().thinning_due(stand.clock.later(days=1, microseconds=1))


def test_a_thinning_that_a_wrong_clock_dated_ahead_counts_once_for_one_that_was_not(
    stand: Stand,
) -> None:
    memory = stand.memory()
    memory.first_run(stand.clock.at)
    stand.clock.later(days=4000)
    memory.note(EventKind.RAN, RUN)
    assert memory.thinning_due(stand.clock.later(days=-3900))
    memory.note(EventKind.RAN, RUN)
    assert not memory.thinning_due(stand.clock.later(days=1))


def test_where_even_the_first_run_lies_ahead_it_is_due(stand: Stand) -> None:
    memory = stand.memory()
    memory.first_run(stand.clock.at)
    assert memory.thinning_due(stand.clock.later(days=-3))
