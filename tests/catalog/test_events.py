"""Events: what is noted is found again, newest per subject, and thinning keeps the newest."""

import os
import sqlite3
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.catalog import opening
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.model import Event, EventKind
from tests.catalog.made import Watch, fact

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


def test_the_mark_changes_with_every_writing_here_and_elsewhere(
    catalog: SqliteCatalog, file: str
) -> None:
    with closing(catalog), closing(open_catalog(file, clock=Watch())) as other:
        marks = [catalog.change_mark()]
        assert catalog.change_mark() == marks[0]
        catalog.record(facts=[fact(0)])
        marks.append(catalog.change_mark())
        other.note([Event(at=NOON, kind=EventKind.RAN, subject="x")])
        marks.append(catalog.change_mark())
        assert len(set(marks)) == 3


def test_events_join_a_transaction(catalog: SqliteCatalog) -> None:
    with closing(catalog):
        with suppress(KeyError), catalog.transaction():
            catalog.note([Event(at=NOON, kind=EventKind.RAN, subject="x")])
            raise KeyError
        assert list(catalog.events(EventKind)) == []


def test_the_second_schema_keeps_all_that_the_first_held(file: str) -> None:
    first = {1: opening.scripts()[1]}
    os.makedirs(os.path.dirname(file), exist_ok=True)
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        opening.migrate(connection, file, first)
        with closing(open_catalog(file, clock=Watch())) as catalog:
            catalog.record(facts=[fact(0)])
            assert list(catalog.facts_at(fact(0).place)) == [fact(0)]
            assert list(catalog.events(EventKind)) == []


def test_a_million_events_are_looked_through_by_steps(catalog: SqliteCatalog) -> None:
    """The plan of the question, not its time: no walk over all rows of a kind."""
    with closing(catalog):
        plan = catalog._connection.execute(
            "EXPLAIN QUERY PLAN SELECT at FROM events WHERE kind = ? AND subject = ? "
            "ORDER BY at DESC, detail DESC LIMIT 1",
            ("told", b"a"),
        ).fetchall()
        assert all("SCAN" not in row[3] for row in plan)
