"""Events: what is noted is found again, newest per subject, and thinning keeps the newest."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.catalog import opening
from backupkeeper.catalog.events import PAGE
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import CatalogError
from backupkeeper.core.model import Event, EventKind
from tests.catalog.made import MAIN, Watch, fact, place, roll

NOON = datetime(2026, 6, 12, 12, tzinfo=UTC)
moments = st.integers(-5, 5).map(lambda hours: NOON + timedelta(hours=hours))
happened = st.builds(
    Event,
    at=moments,
    kind=st.sampled_from([EventKind.TOLD, EventKind.FAILED]),
    subject=st.sampled_from(["a", "b", "odd \udc80", ""]),
    detail=st.sampled_from(["", "one", "two"]),
)


@pytest.fixture
def catalog(file: str) -> SqliteCatalog:
    return open_catalog(file, clock=Watch())


def memory() -> SqliteCatalog:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    opening.migrate(connection, ":memory:", opening.scripts())
    return SqliteCatalog(connection, ":memory:", clock=Watch(), checked="")


@given(st.lists(happened))
def test_what_was_noted_is_found_once_and_in_order(noted: list[Event]) -> None:
    with closing(memory()) as catalog:
        catalog.note(noted)
        catalog.note(reversed(noted))
        kinds = [EventKind.TOLD, EventKind.FAILED, EventKind.TOLD]
        found = list(catalog.events(kinds))
        assert len(found) == len(set(found))
        assert set(found) == set(noted)
        assert [event.at for event in found] == sorted(event.at for event in found)
        since = list(catalog.events(kinds, since=NOON, subject="a"))
        assert set(since) == {one for one in noted if one.at >= NOON and one.subject == "a"}


@given(st.lists(happened))
def test_the_latest_of_each_subject_is_what_a_walk_over_all_finds(noted: list[Event]) -> None:
    with closing(memory()) as catalog:
        catalog.note(noted)
        for kind in (EventKind.TOLD, EventKind.FAILED, EventKind.AWAY):
            wanted: dict[str, Event] = {}
            for one in sorted(noted, key=lambda event: (event.at, event.detail)):
                if one.kind is kind:
                    wanted[one.subject] = one
            assert catalog.latest(kind) == wanted


@given(st.lists(happened))
def test_thinning_forgets_what_is_old_but_nothing_that_is_the_latest(noted: list[Event]) -> None:
    with closing(memory()) as catalog:
        catalog.note(noted)
        before = {kind: dict(catalog.latest(kind)) for kind in EventKind}
        catalog.thin(NOON, [EventKind.TOLD])
        left = set(catalog.events(EventKind))
        assert {kind: dict(catalog.latest(kind)) for kind in EventKind} == before
        for one in noted:
            newest = before[one.kind][one.subject].at
            kept = one.kind is not EventKind.TOLD or one.at >= NOON or one.at == newest
            assert (one in left) == kept


def an_event(number: int = 0, kind: EventKind = EventKind.RAN, subject: str = "x") -> Event:
    return Event(at=NOON + timedelta(minutes=number), kind=kind, subject=subject)


def test_the_mark_changes_with_every_writing_here_and_elsewhere(
    catalog: SqliteCatalog, file: str
) -> None:
    with closing(catalog), closing(open_catalog(file, clock=Watch())) as other:
        marks = [catalog.change_mark()]
        assert catalog.change_mark() == marks[0]
        catalog.record(facts=[fact(0)])
        marks.append(catalog.change_mark())
        other.note([an_event()])
        marks.append(catalog.change_mark())
        catalog.put_place(place())
        marks.append(catalog.change_mark())
        catalog.seal(roll([0]))
        marks.append(catalog.change_mark())
        assert len(set(marks)) == 5


def test_the_mark_changes_while_somebody_is_in_the_middle_of_an_answer(
    catalog: SqliteCatalog, file: str
) -> None:
    """SQLite sees no other program's writing while a statement of its own is open."""
    with closing(catalog), closing(open_catalog(file, clock=Watch())) as other:
        other.record(facts=[fact(n, path=str(n)) for n in range(2000)])
        other.note(an_event(n) for n in range(3000))
        for answer in (catalog.facts_at(MAIN), catalog.events([EventKind.RAN])):
            next(answer)
            before = catalog.change_mark()
            other.record(facts=[fact("new", path=str(before))])
            assert catalog.change_mark() != before


def test_events_noted_or_thinned_here_leave_the_mark_alone(catalog: SqliteCatalog) -> None:
    """A survey of two million files is not begun again because the daemon said that it is awake."""
    with closing(catalog):
        before = catalog.change_mark()
        catalog.note(an_event(n) for n in range(3))
        catalog.thin(NOON + timedelta(days=1), EventKind)
        assert catalog.change_mark() == before
        with catalog.transaction():
            catalog.note([an_event(4)])
            catalog.record(facts=[fact(0)])
        assert catalog.change_mark() != before


def test_events_of_one_moment_come_in_the_order_of_the_kinds_asked_for(
    catalog: SqliteCatalog,
) -> None:
    with closing(catalog):
        kinds = [EventKind.WORKED, EventKind.FAILED]
        catalog.note(an_event(n, kind) for kind in kinds for n in (1, 0))
        for order in (kinds, kinds[::-1]):
            found = [(event.at, event.kind) for event in catalog.events(order)]
            assert found == [(NOON + timedelta(minutes=n), kind) for n in (0, 1) for kind in order]


@pytest.mark.parametrize("subject", [None, "x"])
def test_a_long_answer_comes_whole_though_events_are_noted_meanwhile(
    catalog: SqliteCatalog, subject: str | None
) -> None:
    """More than two pages, many of one moment, so that pages end between those."""
    count = 2 * PAGE + 5
    noted = [
        Event(at=NOON + timedelta(minutes=n // 900), kind=EventKind.RAN, subject="x", detail=str(n))
        for n in range(count)
    ]
    with closing(catalog):
        catalog.note(noted)
        catalog.note([an_event(0, subject="y")])
        answer = catalog.events([EventKind.RAN], since=NOON, subject=subject)
        first = next(answer)
        catalog.note([an_event(10**6, subject="x")])
        found = [first, *answer]
    others = 1 if subject is None else 0
    assert len(found) == len(set(found)) == count + others + 1
    assert set(noted) < set(found)
    assert [event.at for event in found] == sorted(event.at for event in found)


@pytest.mark.parametrize("subject", [None, "x"])
@pytest.mark.parametrize("count", [0, PAGE - 1, PAGE, PAGE + 1, 2 * PAGE])
def test_a_page_that_is_just_full_is_no_end_and_no_loop(
    catalog: SqliteCatalog, count: int, subject: str | None
) -> None:
    with closing(catalog):
        catalog.note(an_event(n) for n in range(count))
        assert len(list(catalog.events([EventKind.RAN], subject=subject))) == count


def test_an_error_in_what_is_to_be_noted_passes_and_nothing_is_noted(
    catalog: SqliteCatalog,
) -> None:
    def broken() -> Iterator[Event]:
        yield an_event()
        raise ValueError("a trouble of the caller's own")

    with closing(catalog):
        with pytest.raises(ValueError, match="own"):
            catalog.note(broken())
        assert list(catalog.events(EventKind)) == []


@pytest.mark.parametrize(
    "bad",
    [
        Event(at=NOON, kind=EventKind.RAN, subject="lone \ud800"),
        Event(at=NOON, kind=EventKind.RAN, subject="x", detail="lone \ud800"),
        Event(at=NOON.replace(tzinfo=None), kind=EventKind.RAN, subject="x"),
    ],
    ids=["subject", "detail", "no zone"],
)
def test_what_could_not_come_back_equal_is_refused_whole(
    catalog: SqliteCatalog, bad: Event
) -> None:
    with closing(catalog):
        with pytest.raises(CatalogError, match="can't be recorded"):
            catalog.note([an_event(), bad])
        assert list(catalog.events(EventKind)) == []


def test_events_join_a_transaction(catalog: SqliteCatalog) -> None:
    with closing(catalog):
        with suppress(KeyError), catalog.transaction():
            catalog.note([Event(at=NOON, kind=EventKind.RAN, subject="x")])
            raise KeyError
        assert list(catalog.events(EventKind)) == []
