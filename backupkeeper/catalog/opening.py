"""Opening the catalog's file: made, looked at, brought up to date, or refused.

Promises:
1. A file that is no catalog of ours, or one of a newer program, is refused and not changed.
2. A catalog that SQLite's own check finds damaged is refused.
3. Migrations are numbered, whole or not at all, and run once even when two programs open at once.
4. The folder is made for its owner alone (0700), the file too (0600).

How it is checked: up to ``SMALL_BYTES`` with ``integrity_check`` every time. A larger one with
``quick_check`` (everything but the indices against their tables), and at most once a day, for that
reads the whole file. Whatever is damaged outside of it is still told when it is met.
"""

import errno
import fcntl
import os
import re
import sqlite3
import stat
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import timedelta
from importlib import resources
from typing import Final

from backupkeeper.catalog.faults import damaged, told
from backupkeeper.catalog.rows import folder_length, micros
from backupkeeper.core.errors import CatalogError
from backupkeeper.ports.clock import Clock

APPLICATION_ID: Final = 0x626B7072
"""``bkpr``: tells our files from other SQLite files (https://sqlite.org/pragma.html)."""
SMALL_BYTES: Final = 32 * 1024 * 1024
"""Up to this size ``integrity_check`` takes well under a second."""
ROOM_BYTES: Final = 256 * 1024
"""Less room than this and nothing is opened. SQLite maps the file ``-shm`` into memory and fills it
by one byte in 4 KiB: on a full disk with smaller blocks (seen: ext4, 1 KiB) touching the rest kills
the program with SIGBUS instead of giving an error."""
FREE_SHARE: Final = 4
"""Where a migration left more than a fourth of the file free, that goes back to the disk."""
CHECK_EVERY: Final = timedelta(days=1)
_SCRIPT_NAME: Final = re.compile(r"(\d{4})\.sql")


def scripts() -> dict[int, str]:
    """The numbered scripts that make the schema, in order."""
    folder = resources.files("backupkeeper.catalog") / "schema"
    found = {
        int(match[1]): entry.read_text(encoding="utf-8")
        for entry in folder.iterdir()
        if (match := _SCRIPT_NAME.fullmatch(entry.name))
    }
    return dict(sorted(found.items()))


def connect(path: str, *, clock: Clock, patience_s: float) -> tuple[sqlite3.Connection, str]:
    """Open, or make, the catalog.

    Args:
        path: its file.
        clock: tells when a large one was last checked.
        patience_s: how long to wait for another program that is writing, in seconds.

    Returns:
        The connection in autocommit mode, and how the file was checked (``integrity_check``,
        ``quick_check`` or ``checked before``).

    Raises:
        CatalogError: it can't be used; the message says why and the advice what to do.
    """
    path = os.path.abspath(path)
    known = scripts()
    with told(path):
        if not _stands(path):
            _make(path)
        _refuse_full(path)
        connection = sqlite3.connect(path, timeout=patience_s, isolation_level=None)
        try:
            with _alone_in(os.path.dirname(path)):
                _settle(connection, path, known)
            how = _check(connection, path, clock)
        except BaseException:
            connection.close()
            raise
    return connection, how


def _stands(path: str) -> bool:
    """Whether a file stands there.

    It is not opened here: closing any handle of a file drops the locks that SQLite holds on it
    elsewhere in this program (https://sqlite.org/howtocorrupt.html, section 2.2).
    """
    try:
        status = os.stat(path)
    except FileNotFoundError:
        return False
    if not stat.S_ISREG(status.st_mode):
        raise CatalogError(
            f"{path} is no file, so it can't be the catalog.",
            advice="Name another file under [catalog] path.",
        )
    return True


@contextmanager
def _alone_in(folder: str) -> Iterator[None]:
    """One opening at a time in this folder: SQLite turns to WAL only for one that is alone."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _foreign(path: str) -> CatalogError:
    return CatalogError(
        f"{path} is no catalog of this program, or its beginning is damaged.",
        advice="It was left as it is. Name another file under [catalog] path, or put a good copy "
        "in its place.",
    )


def _refuse_newer(path: str, version: int, newest: int) -> None:
    if version > newest:
        raise CatalogError(
            f"The catalog {path} was written by a newer version of this program "
            f"(schema {version}, this program knows {newest}).",
            advice="It was left as it is. Install the newer version and repeat the command.",
        )


def _refuse_full(path: str) -> None:
    room = os.statvfs(path)
    if not room.f_flag & os.ST_RDONLY and room.f_bavail * room.f_frsize < ROOM_BYTES:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), path)


def _make(path: str) -> None:
    """An empty file for its owner alone, its name durable; missing folders likewise."""
    folder = os.path.dirname(path)
    missing = []
    while not os.path.isdir(folder):
        missing.append(folder)
        folder = os.path.dirname(folder)
    for folder in reversed(missing):
        os.makedirs(folder, mode=0o700, exist_ok=True)
        _sync_folder(os.path.dirname(folder))
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
    _sync_folder(os.path.dirname(path))


def _sync_folder(folder: str) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _settle(connection: sqlite3.Connection, path: str, known: Mapping[int, str]) -> None:
    """Settings, and the schema at its newest version."""
    version = _version(connection, path, max(known))
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise CatalogError(
            f"The file system under {path} can't hold a catalog (journal mode {mode}).",
            advice="Name a file on a local disk under [catalog] path.",
        )
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cache_size = -32768")  # 32 MiB of the memory promised
    if version < max(known):
        migrate(connection, path, known)
        shrink(connection, path)
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA secure_delete = ON")  # see ``catalog.outbox``


def _version(connection: sqlite3.Connection, path: str, newest: int) -> int:
    """The schema's version, where the file is ours or empty.

    Asked of SQLite, not read from the file: the newest may stand in the journal beside it.
    """
    try:
        version, application, tables = _marks(connection)
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB:
            raise _foreign(path) from error
        raise
    if application == APPLICATION_ID:
        _refuse_newer(path, version, newest)
        return version
    if tables or version:
        raise _foreign(path)
    return 0


def _marks(connection: sqlite3.Connection) -> tuple[int, int, int]:
    """Version, application and number of tables, all of one moment.

    Else another program that makes the schema just now could be seen half.
    """
    alone = not connection.in_transaction
    if alone:
        connection.execute("BEGIN")
    try:
        version, application, tables = (
            connection.execute(statement).fetchone()[0]
            for statement in (
                "PRAGMA user_version",
                "PRAGMA application_id",
                "SELECT count(*) FROM sqlite_schema",
            )
        )
    finally:
        if alone and connection.in_transaction:
            connection.execute("ROLLBACK")
    return version, application, tables


def migrate(connection: sqlite3.Connection, path: str, known: Mapping[int, str]) -> None:
    """Run the scripts that the file has not seen, all of them or none.

    Args:
        connection: in autocommit mode; afterwards it holds nothing to foreign keys, and does not write over
            all that is deleted.
        path: the catalog's file, for messages.
        known: every script by its number.
    """
    # A table that others speak of may be made anew (https://sqlite.org/lang_altertable.html, section 7), and
    # what stood in the old one stands in the new one: to write over it would take as much again of the disk.
    connection.execute("PRAGMA foreign_keys = OFF")
    connection.execute("PRAGMA secure_delete = FAST")
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Asked again under the lock: another program may have done it in between.
        version = _version(connection, path, max(known))
        run(connection, (script for number, script in sorted(known.items()) if number > version))
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {max(known)}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def run(connection: sqlite3.Connection, some: Iterable[str]) -> None:
    """Run scripts of the schema, in order, with the one function that they ask for."""
    connection.create_function("folder_length", 1, folder_length, deterministic=True)
    for script in some:
        for statement in statements(script):
            connection.execute(statement)


def shrink(connection: sqlite3.Connection, path: str) -> None:
    """Give back to the disk what a migration left free, where that is much.

    SQLite writes the whole file anew, so twice its room is needed meanwhile. Where there is less, or
    another program is writing, the file stays as large as it is, and what comes takes the free room.

    Args:
        connection: in autocommit mode.
        path: the catalog's file.
    """
    free, pages, page_bytes = (
        connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("freelist_count", "page_count", "page_size")
    )
    room = os.statvfs(path)
    needed = 2 * (pages - free) * page_bytes + ROOM_BYTES
    if free * FREE_SHARE < pages or room.f_bavail * room.f_frsize < needed:
        return
    with suppress(sqlite3.OperationalError):
        connection.execute("VACUUM")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def statements(script: str) -> list[str]:
    """The statements of a script (``executescript`` would commit what is open)."""
    found, sofar = [], ""
    for line in script.splitlines(keepends=True):
        sofar += line
        if sqlite3.complete_statement(sofar):
            found.append(sofar)
            sofar = ""
    return found


def _check(connection: sqlite3.Connection, path: str, clock: Clock) -> str:
    """Have SQLite check the file; says how."""
    pages, page_bytes = (
        connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size")
    )
    if pages * page_bytes <= SMALL_BYTES:
        return _found_whole(connection, path, "integrity_check")
    now = micros(clock.now())
    row = connection.execute("SELECT checked_at FROM health").fetchone()
    if row is not None and 0 <= now - row[0] < CHECK_EVERY // timedelta(microseconds=1):
        return "checked before"
    how = _found_whole(connection, path, "quick_check")
    connection.execute(
        "INSERT INTO health (no, checked_at) VALUES (1, ?)"
        " ON CONFLICT (no) DO UPDATE SET checked_at = excluded.checked_at",
        (now,),
    )
    return how


def _found_whole(connection: sqlite3.Connection, path: str, how: str) -> str:
    faults = [row[0] for row in connection.execute(f"PRAGMA {how}(3)")]
    if faults != ["ok"]:
        raise damaged(path, "; ".join(faults).replace("\n", " "))
    return how
