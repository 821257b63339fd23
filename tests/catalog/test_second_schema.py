"""A catalog of the first schema becomes one of the second: nothing is lost, whatever interrupts it."""

import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from backupkeeper.catalog import opening
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import CatalogError
from backupkeeper.core.model import Event, EventKind
from tests.catalog.made import (
    MAIN,
    Watch,
    content,
    fact,
    place,
    put_place_as_before,
    record_as_before,
    roll,
)

ROOT = os.path.join(os.path.dirname(__file__), "..", "..")
FACTS = [fact(n, path=str(n)) for n in range(50)]
EVENT = Event(at=datetime(2026, 6, 12, 12, tzinfo=UTC), kind=EventKind.RAN, subject="report")
OPEN = """
import sys
from backupkeeper.catalog.store import open_catalog
from tests.catalog.made import Watch
open_catalog(sys.argv[1], clock=Watch()).close()
"""


def opened_by_the_first(file: str, monkeypatch: pytest.MonkeyPatch) -> SqliteCatalog:
    """As the program opened it when there was no second schema."""
    first = {1: opening.scripts()[1]}
    with monkeypatch.context() as before:
        before.setattr(opening, "scripts", lambda: first)
        return open_catalog(file, clock=Watch())


def made_by_the_first(file: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with closing(opened_by_the_first(file, monkeypatch)) as catalog:
        put_place_as_before(catalog, place())
        record_as_before(catalog, contents=[content(n) for n in range(50)], facts=FACTS)
        catalog.seal(roll(range(50)))


def version(file: str) -> int:
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        found: int = connection.execute("PRAGMA user_version").fetchone()[0]
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema")}
    assert {"events", "events_by_time"} & tables == (
        {"events", "events_by_time"} if found >= 2 else set()
    )
    return found


def holds_everything(file: str) -> None:
    with closing(open_catalog(file, clock=Watch())) as catalog:
        assert catalog.places() == (place(),)
        assert sorted(catalog.facts_at(MAIN), key=lambda one: int(one.path)) == FACTS
        assert [head.name for head in catalog.rolls()] == ["Roll 01"]
        catalog.note([EVENT])
        assert list(catalog.events(EventKind)) == [EVENT]


def test_everything_is_kept(file: str, monkeypatch: pytest.MonkeyPatch) -> None:
    made_by_the_first(file, monkeypatch)
    assert version(file) == 1
    holds_everything(file)
    assert version(file) == max(opening.scripts())


def test_the_first_program_refuses_the_second_schema_and_changes_nothing(
    file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_by_the_first(file, monkeypatch)
    holds_everything(file)
    before = Path(file).read_bytes()
    with pytest.raises(CatalogError, match=r"newer version.*this program knows 1"):
        opened_by_the_first(file, monkeypatch)
    assert Path(file).read_bytes() == before


def test_a_first_program_at_work_is_told_and_spoils_nothing_when_it_was_brought_up_to_date(
    file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_by_the_first(file, monkeypatch)
    with closing(opened_by_the_first(file, monkeypatch)) as old:
        holds_everything(file)
        with pytest.raises(CatalogError, match="could not be used"):
            record_as_before(old, facts=[fact("later", path="50")])
    holds_everything(file)


@pytest.mark.slow
def test_three_programs_bring_it_up_to_date_at_once(
    file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_by_the_first(file, monkeypatch)
    children = [subprocess.Popen([sys.executable, "-c", OPEN, file], cwd=ROOT) for _ in range(3)]
    assert [child.wait(60) for child in children] == [0, 0, 0]
    holds_everything(file)


@pytest.mark.slow
@pytest.mark.real("strace")
def test_killed_at_any_moment_it_is_the_first_or_the_second(
    file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the first byte of the journal to its end, through every sync."""
    moments = [("fdatasync", n) for n in range(1, 6)]
    moments += [("pwrite64", n) for n in (9, 10, 11, 13, 17, 18, 20)] + [("unlink", 2)]
    left = set()
    for call, when in moments:
        there = f"{file}.{call}-{when}"
        made_by_the_first(there, monkeypatch)
        trap = f"inject={call}:signal=KILL:when={when}"
        done = subprocess.run(
            ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", trap,
             sys.executable, "-c", OPEN, there],
            check=False, cwd=ROOT, capture_output=True, timeout=60,
        )  # fmt: skip
        assert done.returncode in {-signal.SIGKILL, 0}, done.stderr.decode()
        left.add((done.returncode, version(there)))
        holds_everything(there)
    assert {(-signal.SIGKILL, 1), (-signal.SIGKILL, max(opening.scripts()))} <= left
