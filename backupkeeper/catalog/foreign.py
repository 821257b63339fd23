"""A catalog of unknown making, looked at before anything of it is believed.

Promises:
1. It is never opened in place: what is looked at is a file of our own, unpacked for this.
2. Nothing of its schema runs: that is compared with ours, word by word, before anything else is asked,
   and whatever is there beside it (triggers, views, tables, indices) has it refused.
3. An older schema is brought up to date in that file; a newer one is refused.
4. What passes ``checked`` holds only values that this program could have written: every row of every
   table was looked at (``catalog.foreign_rows``). Whether they are true nobody can see.
5. Only ``SnapshotError`` and ``CatalogError`` (the local disk) leave.

Source: https://sqlite.org/security.html, https://sqlite.org/pragma.html.
"""

import os
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from typing import Final
from urllib.parse import quote

from backupkeeper.catalog import foreign_rows
from backupkeeper.catalog.faults import told
from backupkeeper.catalog.opening import APPLICATION_ID, SMALL_BYTES, migrate, run, scripts
from backupkeeper.core.errors import CatalogError, SnapshotError

LONGEST_VALUE_BYTES: Final = 64 << 20
"""Of one column: the block map of 16 TB."""
_SCHEMA: Final = "SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY type, name"


@dataclass(frozen=True, kw_only=True, slots=True)
class Checked:
    """A catalog that may be merged: a file of our own, at our schema, each row looked at."""

    path: str
    rolls: int
    files: int
    facts: int
    places: int


def checked(path: str) -> Checked:
    """Look at a catalog in a file of our own, and bring it up to date.

    Args:
        path: the file; it is changed where its schema is old.

    Raises:
        SnapshotError: it can't be believed; the sentence says what of it.
        CatalogError: the local disk fails.
    """
    known = scripts()
    try:
        with told(path):
            return _checked(path, known)
    except (sqlite3.Error, UnicodeDecodeError) as error:  # pragma: no cover - ``told`` maps these
        raise SnapshotError(str(error)) from error
    except CatalogError as error:
        if isinstance(error.__cause__, OSError):
            raise
        cause = error.__cause__
        why = str(cause).replace("\n", " ")[:200] if cause is not None else error.message
        raise SnapshotError(f"It can't be read as a catalog ({why}).") from error


def _checked(path: str, known: Mapping[int, str]) -> Checked:
    for name in (f"{path}-journal", f"{path}-wal"):
        if os.path.lexists(name):  # what a kill left beside an earlier one must not be taken in
            os.truncate(name, 0)
    with closing(_open(path, writing=False)) as theirs:
        version = _version(theirs, max(known))
        _compare_schema(theirs, {n: text for n, text in known.items() if n <= version})
    with closing(_open(path, writing=True)) as theirs:
        _found_whole(theirs, path)
        theirs.execute("PRAGMA journal_mode = DELETE")
        if version < max(known):
            migrate(theirs, path, known)
    with closing(_open(path, writing=False)) as theirs:
        _compare_schema(theirs, known)
        foreign_rows.check(theirs)
        counts = {
            table: theirs.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608 - ours
            for table in ("rolls", "roll_files", "facts", "places")
        }
    return Checked(
        path=path,
        rolls=counts["rolls"],
        files=counts["roll_files"],
        facts=counts["facts"],
        places=counts["places"],
    )


def _open(path: str, *, writing: bool) -> sqlite3.Connection:
    mode = "mode=rw" if writing else "mode=ro&immutable=1"
    connection = sqlite3.connect(f"file:{quote(path)}?{mode}", uri=True, isolation_level=None)
    try:
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_VALUE_BYTES)
        connection.setlimit(sqlite3.SQLITE_LIMIT_ATTACHED, 0)
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA cell_size_check = ON")
        connection.execute("PRAGMA mmap_size = 0")
        connection.execute("PRAGMA cache_size = -32768")
        connection.execute("PRAGMA temp_store = MEMORY")
    except BaseException:
        connection.close()
        raise
    return connection


def _version(theirs: sqlite3.Connection, newest: int) -> int:
    application, version = (
        theirs.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("application_id", "user_version")
    )
    if application != APPLICATION_ID:
        raise SnapshotError("It is no catalog of this program.")
    if version > newest:
        raise SnapshotError(
            f"It was written by a newer version of this program (schema {version}, this program "
            f"knows {newest}).",
            advice="Install the newer version and repeat the command.",
        )
    if version < 1:
        raise SnapshotError(f"It has a schema that never was ({version}).")
    return int(version)


def _compare_schema(theirs: sqlite3.Connection, known: Mapping[int, str]) -> None:
    """Word by word; where the file's pages are is SQLite's own check."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as ours:
        run(ours, known.values())
        wanted = {tuple(row) for row in ours.execute(_SCHEMA)}
    found = set()
    for row in theirs.execute(_SCHEMA):
        if row in found or row not in wanted:
            raise SnapshotError(f"Its schema is not this program's ({str(row[1])[:60]!a}).")
        found.add(row)
    if found != wanted:
        raise SnapshotError("Its schema is not this program's: something is missing.")


def _found_whole(theirs: sqlite3.Connection, path: str) -> None:
    """Opened to be written: SQLite holds one that is opened to be read to no CHECK (seen: 3.40)."""
    how = "integrity_check" if os.path.getsize(path) <= SMALL_BYTES else "quick_check"
    faults = [str(row[0]) for row in theirs.execute(f"PRAGMA {how}(3)")]
    if faults != ["ok"]:
        raise SnapshotError(f"It is damaged ({'; '.join(faults)[:200]}).".replace("\n", " "))
    if theirs.execute("PRAGMA foreign_key_check").fetchone() is not None:
        raise SnapshotError("It is damaged: what one table speaks of is missing in another.")
