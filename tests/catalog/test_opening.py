"""Opening: made for its owner alone, checked, brought up to date; or refused and left as it is."""

import os
import resource
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.catalog import opening
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import CatalogError
from tests.catalog.made import MAIN, NOW, Watch, fact, name_of, roll


def open_here(file: str, clock: Watch | None = None) -> SqliteCatalog:
    return open_catalog(file, clock=clock or Watch(), patience_s=0.05)


def fill(file: str, count: int = 1) -> None:
    with closing(open_here(file)) as catalog:
        catalog.record(facts=[fact(n, path=f"{n}") for n in range(count)])


@contextmanager
def outside(file: str) -> Iterator[sqlite3.Connection]:
    """The file as another program sees it."""
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        yield connection


def tree(folder: str) -> dict[str, bytes]:
    return {
        os.path.join(where, name): Path(where, name).read_bytes()
        for where, _, names in os.walk(folder)
        for name in names
    }


def test_folder_and_files_are_for_their_owner_alone(file: str) -> None:
    old = os.umask(0)
    try:
        with closing(open_here(file)) as catalog:
            catalog.record(facts=[fact()])
            folder = os.path.dirname(file)
            modes = {
                name: stat.S_IMODE(os.stat(os.path.join(folder, name)).st_mode)
                for name in os.listdir(folder)
            }
    finally:
        os.umask(old)
    assert modes == dict.fromkeys(
        ("catalog.sqlite", "catalog.sqlite-wal", "catalog.sqlite-shm"), 0o600
    )
    for made in (folder, os.path.dirname(folder)):
        assert stat.S_IMODE(os.stat(made).st_mode) == 0o700


def test_the_settings_are_those_that_make_a_commit_durable(file: str) -> None:
    with closing(open_here(file)) as catalog:
        asked = {
            name: catalog._connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    assert asked == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 50}


def test_every_table_is_strict_and_no_fact_can_name_what_is_not_there(file: str) -> None:
    fill(file)
    with outside(file) as connection:
        loose = connection.execute(
            "SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table' "
            "AND strict = 0 AND name NOT LIKE 'sqlite_%'"
        ).fetchall()
        assert loose == []
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_it_is_opened_again_with_what_it_held(file: str) -> None:
    fill(file, 3)
    with closing(open_here(file)) as catalog:
        assert len(list(catalog.facts_at(MAIN))) == 3
        assert catalog.checked == "integrity_check"


def test_a_path_with_bytes_that_are_no_text_works(tmp_path: Path) -> None:
    file = os.path.join(os.fspath(tmp_path), "\udcff", "catalog.sqlite")
    fill(file)
    assert os.path.exists(file)


def test_a_relative_path_that_sqlite_would_keep_in_memory_is_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    fill(":memory:")
    assert os.path.getsize(tmp_path / ":memory:") > 0


def test_an_empty_file_left_by_a_kill_is_taken(file: str) -> None:
    os.makedirs(os.path.dirname(file))
    Path(file).touch()
    fill(file)


def test_a_newer_schema_is_refused_and_nothing_is_touched(file: str) -> None:
    fill(file)
    known = max(opening.scripts())
    with outside(file) as connection:
        connection.execute(f"PRAGMA user_version = {known + 1}")
    before = tree(os.path.dirname(file))
    with pytest.raises(CatalogError) as caught:
        open_here(file)
    told = f"a newer version of this program (schema {known + 1}, this program knows {known})"
    assert told in str(caught.value)
    assert "Install the newer version" in caught.value.advice
    assert tree(os.path.dirname(file)) == before


def test_a_newer_schema_that_stands_only_in_the_journal_is_refused_too(file: str) -> None:
    fill(file)
    with outside(file) as keeps_the_journal:
        keeps_the_journal.execute("PRAGMA wal_autocheckpoint = 0")
        keeps_the_journal.execute(f"PRAGMA user_version = {max(opening.scripts()) + 1}")
        with pytest.raises(CatalogError, match="newer version"):
            open_here(file)


def text_file(file: str) -> None:
    Path(file).write_text("not a catalog\n" * 100)


def short_file(file: str) -> None:
    Path(file).write_bytes(b"SQLite format 3\x00")


def others_file(file: str) -> None:
    with outside(file) as connection:
        connection.execute("CREATE TABLE theirs (a)")
        connection.execute("INSERT INTO theirs VALUES (1)")


def others_marked_file(file: str) -> None:
    others_file(file)
    with outside(file) as connection:
        connection.execute("PRAGMA application_id = 99")


def others_versioned_file(file: str) -> None:
    with outside(file) as connection:
        connection.execute("PRAGMA user_version = 1")


@pytest.mark.parametrize(
    "make", [text_file, short_file, others_file, others_marked_file, others_versioned_file]
)
def test_a_file_that_is_no_catalog_is_refused_and_left_as_it_is(
    file: str, make: Callable[[str], None]
) -> None:
    os.makedirs(os.path.dirname(file))
    make(file)
    before = tree(os.path.dirname(file))
    with pytest.raises(CatalogError, match="is no catalog of this program") as caught:
        open_here(file)
    assert "left as it is" in caught.value.advice
    assert tree(os.path.dirname(file)) == before


def test_a_folder_or_a_pipe_under_that_name_is_refused_without_waiting(file: str) -> None:
    os.makedirs(file)
    with pytest.raises(CatalogError, match="is no file"):
        open_here(file)
    os.rmdir(file)
    os.mkfifo(file)
    with pytest.raises(CatalogError, match="is no file"):
        open_here(file)


def spoil_pages(file: str) -> None:
    """Overwrite everything after the first page."""
    size = os.path.getsize(file)
    with open(file, "r+b") as handle:
        handle.seek(4096)
        handle.write(b"\xa5" * (size - 4096))


def cut_short(file: str) -> None:
    os.truncate(file, os.path.getsize(file) // 2)


def spoil_header(file: str) -> None:
    with open(file, "r+b") as handle:
        handle.seek(16)
        handle.write(b"\xff" * 30)


@pytest.mark.parametrize("harm", [spoil_pages, cut_short, spoil_header])
def test_a_damaged_catalog_is_told_with_what_to_do(file: str, harm: Callable[[str], None]) -> None:
    fill(file, 500)
    harm(file)
    with pytest.raises(CatalogError, match="is damaged") as caught:
        open_here(file)
    assert "put a good copy in its place" in caught.value.advice


def test_a_single_wrong_entry_of_an_index_is_found(file: str) -> None:
    """What ``quick_check`` passes over and ``integrity_check`` does not (sqlite.org/pragma.html)."""
    fill(file, 5)
    with outside(file) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(
            "UPDATE sqlite_schema SET sql = 'CREATE INDEX copies_by_content ON copies (place, content)' "
            "WHERE name = 'copies_by_content'"
        )
    with pytest.raises(CatalogError, match="is damaged"):
        open_here(file)


def test_a_large_catalog_is_checked_once_a_day(file: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(opening, "SMALL_BYTES", 4096)
    clock = Watch()
    said = []
    for hours in (0, 1, 23, 25, 2):  # the last: the clock was set back
        clock.at = NOW + timedelta(hours=hours)
        with closing(open_here(file, clock)) as catalog:
            said.append(catalog.checked)
    assert said == ["quick_check", "checked before", "checked before", "quick_check", "quick_check"]


def test_damage_that_no_check_saw_is_told_when_it_is_met(
    file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "SMALL_BYTES", 4096)
    fill(file, 2000)
    with outside(file) as connection:
        pages = (
            [
                page
                for (page,) in connection.execute(
                    "SELECT pageno FROM dbstat WHERE name = 'facts' AND pagetype = 'leaf'"
                )
            ]
            if has_dbstat(connection)
            else leaf_pages(file)
        )
    with open(file, "r+b") as handle:
        for page in pages:
            handle.seek((page - 1) * 4096)
            handle.write(b"\xff" * 64)
    with (
        closing(open_here(file)) as catalog,
        pytest.raises(CatalogError, match="is damaged"),
    ):
        list(catalog.facts_at(MAIN))
    assert catalog.checked == "checked before"


def has_dbstat(connection: sqlite3.Connection) -> bool:
    return ("ENABLE_DBSTAT_VTAB",) in connection.execute("PRAGMA compile_options").fetchall()


def leaf_pages(file: str) -> list[int]:
    """Pages that look like leaves of an index (kind 0x0a, sqlite.org/fileformat2.html 1.6)."""
    data = Path(file).read_bytes()
    return [at // 4096 + 1 for at in range(4096, len(data), 4096) if data[at] == 0x0A]


def test_a_catalog_that_another_program_is_writing_to_is_told(file: str) -> None:
    fill(file)
    with outside(file) as other, closing(open_here(file)) as catalog:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(CatalogError, match="is held by another program") as caught:
            catalog.record(facts=[fact()])
        assert "Wait until the other command has finished" in caught.value.advice
        assert len(list(catalog.facts_at(MAIN))) == 1  # reading goes on
        other.execute("ROLLBACK")
        catalog.record(facts=[fact(2)])


def test_a_catalog_locked_whole_cannot_be_opened_and_says_so(file: str) -> None:
    fill(file)
    with outside(file) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(CatalogError, match="is held by another program"):
            open_here(file)


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(CatalogError, match=r"can't be opened or written \(ENOTDIR\)") as caught:
        open_here(str(tmp_path / "file" / "deeper" / "catalog.sqlite"))
    assert "[catalog] path" in caught.value.advice


def test_a_folder_where_nothing_can_be_written_is_told() -> None:
    # /proc takes no files, not even from root.
    with pytest.raises(CatalogError, match="can't be opened or written"):
        open_here("/proc/catalog.sqlite")


@contextmanager
def room_for(total: int) -> Iterator[None]:
    """No file of this process may grow past this size (signal ignored: the call gets EFBIG)."""
    import signal  # noqa: PLC0415 - for this one block

    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (total, old[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
        signal.signal(signal.SIGXFSZ, handler)


def test_a_file_that_cannot_grow_loses_the_step_and_nothing_before_it(file: str) -> None:
    with closing(open_here(file)) as catalog:
        catalog.record(facts=[fact()])
        with room_for(200_000), pytest.raises(CatalogError) as caught, catalog.transaction():  # noqa: PT012 - the step is what fails
            catalog.record(facts=[fact(2, path="b")])
            catalog.record(facts=[fact(n, path="x" * 200 + f"{n}") for n in range(5000)])
        assert "hat was recorded before stays recorded" in caught.value.advice
        assert list(catalog.facts_at(MAIN)) == [fact()]
        catalog.record(facts=[fact(3, path="c")])
    with closing(open_here(file)) as catalog:
        assert set(catalog.facts_at(MAIN)) == {fact(), fact(3, path="c")}


def test_a_full_catalog_is_told_as_no_room(file: str) -> None:
    with closing(open_here(file)) as catalog:
        catalog.record(facts=[fact()])
        pages = catalog._connection.execute("PRAGMA page_count").fetchone()[0]
        catalog._connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(CatalogError, match="There is no room left") as caught:
            catalog.record(facts=[fact(n, path="x" * 200 + f"{n}") for n in range(500)])
        assert "Make room on that disk" in caught.value.advice
        assert list(catalog.facts_at(MAIN)) == [fact()]


def test_opening_it_again_leaves_the_locks_of_the_first_in_place(file: str) -> None:
    """A file handle closed anywhere in a program drops its locks (sqlite.org/howtocorrupt.html)."""
    look = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1], timeout=0, isolation_level=None); "
        "print(c.execute('PRAGMA journal_mode = DELETE').fetchone()[0])"
    )
    with closing(open_here(file)) as catalog:
        catalog.record(facts=[fact()])
        open_here(file).close()
        other = subprocess.run(
            [sys.executable, "-c", look, file], capture_output=True, text=True, check=False
        )
        assert "database is locked" in other.stderr  # with its lock gone it would be "delete"
        assert list(catalog.facts_at(MAIN)) == [fact()]


def test_scripts_are_numbered_without_a_gap() -> None:
    assert list(opening.scripts()) == list(range(1, len(opening.scripts()) + 1))


def test_a_file_system_without_shared_memory_files_is_refused(
    file: str,
) -> None:
    """In-memory databases answer ``memory``: the same door as a file system that can't do WAL."""
    with (
        closing(sqlite3.connect(":memory:", isolation_level=None)) as connection,
        pytest.raises(CatalogError, match=r"can't hold a catalog \(journal mode memory\)"),
    ):
        opening._settle(connection, file, opening.scripts())


def test_the_sieve_speaks_of_the_clock_it_was_given(file: str) -> None:
    clock = Watch(at=NOW - timedelta(days=30))
    with closing(open_here(file, clock)) as catalog:
        catalog.seal(roll([1]))
        catalog.record(facts=[fact(content=name_of(1))])
        assert catalog.not_plainly_proven(MAIN, NOW - timedelta(days=90)) == {"roll"}
        clock.at = NOW
        assert catalog.not_plainly_proven(MAIN, NOW - timedelta(days=90)) == frozenset()
