"""The schema is brought up to date whole or not at all, once, whoever else is at it."""

import fcntl
import os
import sqlite3
from collections.abc import Mapping
from contextlib import closing

import pytest

from backupkeeper.catalog import opening
from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.errors import CatalogError
from tests.catalog.made import MAIN, Watch, fact

NEWEST = max(opening.scripts())


def outside(file: str) -> closing[sqlite3.Connection]:
    return closing(sqlite3.connect(file, isolation_level=None))


def fill(file: str) -> None:
    with closing(open_catalog(file, clock=Watch())) as catalog:
        catalog.record(facts=[fact(0, path="0")])


def test_a_migration_runs_once_and_keeps_what_was_there(file: str) -> None:
    fill(file)
    scripts = {
        **opening.scripts(),
        NEWEST + 1: "CREATE TABLE later (a INTEGER) STRICT;\n-- nothing\n",
    }
    with outside(file) as connection:
        opening.migrate(connection, file, scripts)
        opening.migrate(connection, file, scripts)
        assert connection.execute("PRAGMA user_version").fetchone() == (NEWEST + 1,)
        assert connection.execute("SELECT count(*) FROM facts").fetchone() == (1,)
    with pytest.raises(CatalogError, match="newer version"):
        open_catalog(file, clock=Watch())


def test_a_migration_that_fails_leaves_the_schema_as_it_was(file: str) -> None:
    fill(file)
    scripts = {
        **opening.scripts(),
        NEWEST + 1: "CREATE TABLE later (a INTEGER) STRICT;",
        NEWEST + 2: "CREATE TABLE facts (a INTEGER) STRICT;",
    }
    with outside(file) as connection:
        with pytest.raises(sqlite3.OperationalError):
            opening.migrate(connection, file, scripts)
        assert connection.execute("PRAGMA user_version").fetchone() == (NEWEST,)
        assert connection.execute(
            "SELECT count(*) FROM sqlite_schema WHERE name = 'later'"
        ).fetchone() == (0,)
    with closing(open_catalog(file, clock=Watch())) as catalog:
        assert list(catalog.facts_at(MAIN)) == [fact(0, path="0")]


def test_another_program_making_the_schema_at_this_moment_is_no_fault(file: str) -> None:
    """Seen once in 240 openings by four programs at once: taken for a file that isn't ours."""
    os.makedirs(os.path.dirname(file))
    with outside(file) as one, outside(file) as other:
        one.execute("PRAGMA journal_mode = WAL")
        made: list[str] = []

        def meanwhile(statement: str) -> None:
            if "sqlite_schema" in statement and not made:
                made.append(statement)
                opening.migrate(other, file, opening.scripts())

        one.set_trace_callback(meanwhile)
        assert opening._version(one, file, NEWEST) == 0
        assert made
        one.set_trace_callback(None)
        opening.migrate(one, file, opening.scripts())
        assert opening._version(one, file, NEWEST) == NEWEST


def test_openings_take_turns(file: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen without: of 240 openings of new catalogs by four programs at once 9 were "locked".

    For only one that is alone may turn a new file to WAL, and SQLite does not wait for that.
    """
    settle, refused = opening._settle, []

    def settle_and_look(
        connection: sqlite3.Connection, path: str, known: Mapping[int, str]
    ) -> None:
        handle = os.open(os.path.dirname(path), os.O_RDONLY)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            refused.append(path)
        finally:
            os.close(handle)
        settle(connection, path, known)

    monkeypatch.setattr(opening, "_settle", settle_and_look)
    fill(file)
    fill(file)  # the first one's turn has ended
    assert refused == [file, file]
