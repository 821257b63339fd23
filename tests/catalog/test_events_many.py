"""Events by the hundred thousand, and from two programs at once."""

import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.model import Event, EventKind
from tests.catalog.made import MAIN, Watch

ROOT = os.path.join(os.path.dirname(__file__), "..", "..")
NOON = datetime(2026, 6, 12, 12, tzinfo=UTC)
SUBJECTS = 10
EVERY = 50
"""Steps of SQLite's machine between two counts."""

# Notes events one by one and records a fact with every fifth, as a daemon and a command do.
CHILD = """
import sys
from datetime import UTC, datetime, timedelta
from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.model import Event, EventKind
from tests.catalog.made import Watch, fact

file, who, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
catalog = open_catalog(file, clock=Watch())
print("open", flush=True)
sys.stdin.readline()
for n in range(count):
    with catalog.transaction():
        at = datetime(2026, 6, 12, 12, tzinfo=UTC) + timedelta(seconds=n)
        catalog.note([Event(at=at, kind=EventKind.MOVED, subject=who, detail=str(n))])
        if n % 5 == 0:
            catalog.record(facts=[fact(n, path=f"{who}/{n}")])
catalog.close()
"""


def an_event(number: int) -> Event:
    return Event(
        at=NOON + timedelta(seconds=number),
        kind=EventKind.MOVED,
        subject=f"place {number % SUBJECTS}",
        detail=str(number),
    )


def steps(
    catalog: SqliteCatalog, ask: Callable[[SqliteCatalog, datetime], object], last: datetime
) -> int:
    """What a question costs, in steps of SQLite's own machine: the same on every computer."""
    counts: list[int] = []
    connection = catalog._connection
    connection.set_progress_handler(lambda: counts.append(1), EVERY)
    ask(catalog, last)
    connection.set_progress_handler(None, 0)
    return len(counts) * EVERY


ASKED: dict[str, Callable[[SqliteCatalog, datetime], object]] = {
    "the latest": lambda catalog, last: catalog.latest(EventKind.MOVED),
    "those of the last minute": lambda catalog, last: list(
        catalog.events(EventKind, since=last - timedelta(minutes=1))
    ),
    "those of one subject in the last minute": lambda catalog, last: list(
        catalog.events([EventKind.MOVED], since=last - timedelta(minutes=1), subject="place 1")
    ),
    "those of a kind that has none": lambda catalog, last: list(catalog.events([EventKind.TOLD])),
    "thinning what was thinned": lambda catalog, last: catalog.thin(NOON, [EventKind.MOVED]),
}


@pytest.mark.slow
def test_a_question_costs_the_same_among_a_hundred_times_as_many(catalog: SqliteCatalog) -> None:
    """Measured by hand at 1,000,000 events: latest of 1,000 subjects 9 ms, an hour's events 8 ms."""
    few, many = 1_000, 100_000
    catalog.note(an_event(n) for n in range(few))
    before = {name: steps(catalog, ask, an_event(few - 1).at) for name, ask in ASKED.items()}
    catalog.note(an_event(n) for n in range(few, many))
    for name, ask in ASKED.items():
        after = steps(catalog, ask, an_event(many - 1).at)
        assert after <= 1.5 * before[name] + 200, name
    assert (
        steps(catalog, lambda one, _: list(one.events(EventKind)), NOON)
        > 100 * before["the latest"]
    )


@pytest.mark.slow
def test_two_programs_note_at_once_and_every_event_and_fact_is_kept(file: str) -> None:
    count = 150
    children = [
        subprocess.Popen(
            [sys.executable, "-c", CHILD, file, who, str(count)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for who in ("daemon", "command")
    ]
    for child in children:
        assert child.stdout is not None
        assert child.stdout.readline() == "open\n"
    for child in children:
        child.communicate("go\n", timeout=60)
    assert [child.returncode for child in children] == [0, 0]
    with closing(open_catalog(file, clock=Watch())) as catalog:
        for who in ("daemon", "command"):
            found = catalog.events([EventKind.MOVED], subject=who)
            assert [int(event.detail) for event in found] == list(range(count))
            assert len(list(catalog.facts_at(MAIN, below=who))) == count / 5
