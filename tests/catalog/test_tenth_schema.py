"""A catalog that kept the whole path with each copy becomes one that keeps folders once, and says the same."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.catalog import opening
from backupkeeper.catalog.foreign import checked
from backupkeeper.catalog.merge import merge
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import SnapshotError
from backupkeeper.core.model import Content, Fact, Result, Roll, Way
from tests.catalog.foreign_made import merged, packed, says, true_roll, unpacked
from tests.catalog.made import (
    MAIN,
    NOW,
    SECOND,
    Watch,
    content,
    fact,
    facts,
    name_of,
    place,
    put_place_as_before,
    record_as_before,
)

ROOT = os.path.join(os.path.dirname(__file__), "..", "..")
NINTH = 9
DAY = timedelta(days=1)
FOLDER = "260612 Boatyard/Originals/Wide/Roll 01"
ROLL = true_roll(range(6))
FACTS = (
    *(
        fact(n, path=f"{FOLDER}/{file.path}", place=where, at=NOW + n * DAY)
        for n, file in enumerate(ROLL.files)
        for where in (MAIN, SECOND)
        if (n, where) != (4, SECOND)
    ),
    fact(5, path=f"{FOLDER}/{ROLL.files[5].path}", way=Way.LOOKED, result=Result.MISSING,
         at=NOW + 9 * DAY),
    fact(2, path="at the top.MP4"),
    fact(3, path=f"{FOLDER} and more/DCIM/x.MP4"),
    fact(3, path=f"{FOLDER}-1/x.MP4"),
    fact(9, path=f"{FOLDER}/DCIM/CLIP0000.MP4", at=NOW - DAY),
    # Bytes that are one sign only where the slash between them is taken away.
    fact(1, path=b"Caf\xc3/\x80.MP4".decode("utf-8", "surrogateescape")),
    fact(1, path=b"\xff\xfe/\xff.MP4".decode("utf-8", "surrogateescape")),
)  # fmt: skip
OPEN = """
import sys
from backupkeeper.catalog.store import open_catalog
from tests.catalog.made import Watch
open_catalog(sys.argv[1], clock=Watch()).close()
"""


def old_catalog(
    path: Path,
    monkeypatch: pytest.MonkeyPatch,
    version: int = NINTH,
    *,
    contents: Iterable[Content] = (),
    facts: Iterable[Fact] = (),
    rolls: Iterable[Roll] = (),
) -> Path:
    """As the program of that schema left it."""
    scripts = {number: text for number, text in opening.scripts().items() if number <= version}
    with monkeypatch.context() as before:
        before.setattr(opening, "scripts", lambda: scripts)
        with closing(open_catalog(str(path), clock=Watch())) as catalog:
            for one in (place(), place(SECOND)):
                put_place_as_before(catalog, one)
            record_as_before(catalog, contents=contents, facts=facts)
            for roll in rolls:
                catalog.seal(roll)
    return path


def new_catalog(path: Path, facts: Iterable[Fact], rolls: Iterable[Roll] = (ROLL,)) -> Path:
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        for one in (place(), place(SECOND)):
            put_place_as_before(catalog, one)
        catalog.record(contents=map(content, range(6)), facts=facts)
        for roll in rolls:
            catalog.seal(roll)
    return path


def answers(catalog: SqliteCatalog) -> dict[str, object]:
    """What the program asks where paths matter, put as a caller sees it."""
    belows = (
        "",
        FOLDER,
        f"{FOLDER}/DCIM",
        ROLL.files[0].path,
        "at the top.MP4",
        "260612 Boatyard/",
    )
    return {
        **{
            f"{where} {below}": frozenset(catalog.facts_at(where, below=below))
            for where in (MAIN, SECOND)
            for below in (*belows, f"{FOLDER}/{ROLL.files[0].path}")
        },
        "of contents": frozenset(catalog.facts_of(map(name_of, range(10)))),
        "of the roll": frozenset(catalog.facts_of_roll(ROLL.head.id)),
        "unsent": [catalog.unsent(ROLL.head.id, where) for where in (MAIN, SECOND)],
        "sieve": [catalog.not_plainly_proven(where, NOW) for where in (MAIN, SECOND)],
        "held": [catalog.holdings(where) for where in (MAIN, SECOND)],
        "readable": [catalog.readable_at(where) for where in (MAIN, SECOND)],
        "sums": [
            (one.groups, one.odd, one.odd_bytes, dict(one.names))
            for one in catalog.roll_sums().values()
        ],
    }


def whole(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert connection.execute("PRAGMA user_version").fetchone() == (max(opening.scripts()),)
        names = connection.execute("SELECT name FROM sqlite_schema WHERE name LIKE '%before%'")
        assert names.fetchall() == []


@pytest.mark.parametrize("version", range(1, NINTH + 1))
def test_an_old_catalog_gives_the_same_answers_as_one_that_was_made_anew(
    version: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    contents = [content(n) for n in range(6)]
    old = old_catalog(
        tmp_path / "old", monkeypatch, version, contents=contents, facts=FACTS, rolls=[ROLL]
    )
    new = new_catalog(tmp_path / "new", FACTS)
    with (
        closing(open_catalog(str(old), clock=Watch())) as mine,
        closing(open_catalog(str(new), clock=Watch())) as other,
    ):
        found = answers(mine)
        assert found == answers(other)
        assert found[f"{MAIN} at the top.MP4"] == {FACTS[12]}
        assert [file.path for file in mine.unsent(ROLL.head.id, SECOND)] == [ROLL.files[4].path]
        assert [file.path for file in mine.unsent(ROLL.head.id, MAIN)] == [ROLL.files[5].path]
    assert says(old) == says(new)
    whole(old)


@settings(max_examples=40)
@given(st.lists(facts, max_size=8))
def test_any_path_stays_what_it_was(
    tmp_path_factory: pytest.TempPathFactory, told: list[Fact]
) -> None:
    folder = tmp_path_factory.mktemp("c")
    with pytest.MonkeyPatch.context() as monkeypatch:
        old = old_catalog(folder / "old", monkeypatch, facts=told)
    with closing(open_catalog(str(old), clock=Watch())) as catalog:
        found = [one for where in {one.place for one in told} for one in catalog.facts_at(where)]
        assert len(found) == len(set(told))
        assert set(found) == set(told)
        catalog.record(facts=told)  # nothing stands twice
    with closing(sqlite3.connect(old)) as connection:
        copies = {(one.place, one.path, one.content) for one in told}
        assert connection.execute("SELECT count(*) FROM copies").fetchone() == (len(copies),)
        used = {path.rpartition("/")[:2] for _, path, _ in copies}
        assert connection.execute("SELECT count(*) FROM folders").fetchone() == (len(used),)
    whole(old)


def test_old_snapshots_are_taken_over_like_new_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    contents = [content(n) for n in range(6)]
    old = old_catalog(tmp_path / "old", monkeypatch, contents=contents, facts=FACTS, rolls=[ROLL])
    mine = [new_catalog(tmp_path / name, FACTS[:3], rolls=[]) for name in ("one", "two")]
    theirs = checked(str(unpacked(packed(old), tmp_path / "theirs")))
    assert (theirs.facts, theirs.files) == (len(FACTS), 6)
    merge(str(mine[0]), theirs, clock=Watch())
    merged(mine[1], new_catalog(tmp_path / "new", FACTS), tmp_path / "scratch")
    assert says(mine[0]) == says(mine[1])
    merge(str(mine[0]), theirs, clock=Watch())  # nothing stands twice
    assert says(mine[0]) == says(mine[1])
    whole(mine[0])


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("UPDATE copies SET path = CAST('../x' AS BLOB) WHERE no = 1", "in its copies"),
        ("UPDATE copies SET path = CAST('/etc/x' AS BLOB) WHERE no = 1", "in its copies"),
        ("UPDATE copies SET path = CAST('a/../x' AS BLOB) WHERE no = 1", "in its copies"),
        ("UPDATE copies SET path = CAST('a/' AS BLOB) WHERE no = 1", "in its copies"),
        ("UPDATE copies SET path = X'2F' WHERE no = 1", "in its copies"),
        ("UPDATE copies SET path = X'' WHERE no = 1", "in its copies"),
        ("UPDATE copies SET path = X'61002F61' WHERE no = 1", "in its copies"),
        ("UPDATE copies SET path = zeroblob(60000000) WHERE no = 1", "in its copies"),
        ("DELETE FROM copies WHERE no = 1", "missing in another"),
        ("CREATE TABLE folders (no)", "schema is not this program's"),
        ("CREATE TABLE copies_before (no)", "schema is not this program's"),
    ],
)
def test_an_old_snapshot_is_looked_at_as_closely(
    change: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    contents = [content(n) for n in range(6)]
    old = old_catalog(tmp_path / "old", monkeypatch, contents=contents, facts=FACTS, rolls=[ROLL])
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute(change)
    with pytest.raises(SnapshotError) as caught:
        checked(str(old))
    assert told in caught.value.message


def test_an_old_snapshot_in_which_a_copy_stands_twice_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``quick_check``, which larger ones get, does not look for that."""
    monkeypatch.setattr("backupkeeper.catalog.foreign.SMALL_BYTES", 0)
    old = old_catalog(tmp_path / "old", monkeypatch, facts=FACTS)
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(
            "UPDATE sqlite_schema SET sql = replace(sql, 'UNIQUE (place, path, content)', "
            "'UNIQUE (no, path, content)') WHERE name = 'copies'"
        )
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        connection.execute("INSERT INTO copies SELECT no + 100, place, path, content FROM copies")
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(
            "UPDATE sqlite_schema SET sql = replace(sql, 'UNIQUE (no, path, content)', "
            "'UNIQUE (place, path, content)') WHERE name = 'copies'"
        )
    with pytest.raises(SnapshotError, match="UNIQUE constraint failed"):
        checked(str(old))


# -- room


def many(count: int) -> list[Fact]:
    return [
        fact(n % 7, path=f"{FOLDER}/DCIM/{n // 100:03}BOATYARD with a long name/BOAT{n:04}.MP4")
        for n in range(count)
    ]


def free_share(path: Path) -> float:
    with closing(sqlite3.connect(path)) as connection:
        free, pages = (
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("freelist_count", "page_count")
        )
    return float(free / pages)


def test_what_the_migration_freed_goes_back_to_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = many(3000)
    old = old_catalog(tmp_path / "old", monkeypatch, facts=told)
    before = old.stat().st_size
    with closing(open_catalog(str(old), clock=Watch())) as catalog:
        assert old.stat().st_size < before * 2 // 3
        assert Path(f"{old}-wal").stat().st_size < before // 10
        assert set(catalog.facts_at(MAIN)) == set(told)
    assert free_share(old) < 1 / opening.FREE_SHARE
    whole(old)


def test_where_another_is_writing_the_file_keeps_its_size_and_what_comes_takes_the_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = many(3000)
    old = old_catalog(tmp_path / "old", monkeypatch, facts=told)
    with closing(sqlite3.connect(old, isolation_level=None, timeout=0.0)) as connection:
        opening.migrate(connection, str(old), opening.scripts())
        size = old.stat().st_size
        with closing(sqlite3.connect(old, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            opening.shrink(connection, str(old))
            other.execute("ROLLBACK")
    assert free_share(old) > 1 / opening.FREE_SHARE
    with closing(open_catalog(str(old), clock=Watch())) as catalog:
        catalog.record(facts=[fact(n, path=f"{FOLDER}/{n}") for n in range(500)])
        assert set(told) < set(catalog.facts_at(MAIN))
    assert old.stat().st_size >= size
    assert free_share(old) > 0
    whole(old)


@pytest.mark.slow
@pytest.mark.real("ext4")
def test_a_disk_with_too_little_room_keeps_the_file_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A real disk: the migration fits, writing all of it anew would not."""
    told = many(3000)
    old = old_catalog(tmp_path / "old", monkeypatch, facts=told)
    image, mounted = tmp_path / "image", tmp_path / "mounted"
    with image.open("wb") as file:
        file.truncate(16 * 1024 * 1024)
    mounted.mkdir()
    for command in (["mkfs.ext4", "-q", "-m", "0", image], ["mount", "-o", "loop", image, mounted]):
        subprocess.run(list(map(os.fspath, command)), check=True, capture_output=True)  # type: ignore[arg-type] # texts and paths
    try:
        shutil.copy(old, mounted / "catalog.sqlite")
        with closing(sqlite3.connect(mounted / "catalog.sqlite", isolation_level=None)) as one:
            opening.migrate(one, str(mounted / "catalog.sqlite"), opening.scripts())
            room = os.statvfs(mounted)
            (mounted / "filler").write_bytes(bytes(room.f_bavail * room.f_frsize - 1024 * 1024))
            opening.shrink(one, str(mounted / "catalog.sqlite"))
            assert one.execute("PRAGMA freelist_count").fetchone()[0] > 0
        whole(mounted / "catalog.sqlite")
    finally:
        subprocess.run(["umount", os.fspath(mounted)], check=True)


@pytest.mark.slow
@pytest.mark.real("strace")
@pytest.mark.parametrize(
    ("call", "when"),
    [
        *(("pwrite64", when) for when in (10, 70, 128, 131, 200, 350, 360, 460)),
        *(("fdatasync", when) for when in (3, 4, 5, 6)),
        *(("ftruncate", when) for when in (2, 3)),
    ],
)
def test_killed_while_it_migrates_or_shrinks_it_is_whole_and_says_all(
    call: str, when: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the calls that write about 130 are the migration's, 230 the shrinking's, 110 bring it home."""
    told = many(3000)
    old = old_catalog(tmp_path / "old", monkeypatch, facts=told)
    done = subprocess.run(
        ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}",
         "-e", f"inject={call}:signal=KILL:when={when}", sys.executable, "-c", OPEN, os.fspath(old)],
        check=False, cwd=ROOT, capture_output=True, timeout=60,
    )  # fmt: skip
    assert done.returncode in {-signal.SIGKILL, 0}, done.stderr.decode()
    with closing(sqlite3.connect(old)) as connection:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        assert version in {NINTH, max(opening.scripts())}
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("SELECT count(*) FROM copies").fetchone() == (len(told),)
    with closing(open_catalog(str(old), clock=Watch())) as catalog:
        assert set(catalog.facts_at(MAIN)) == set(told)
    whole(old)


# -- open to others


def test_any_sqlite_tool_shows_whole_paths_by_the_view(tmp_path: Path) -> None:
    new = new_catalog(tmp_path / "new", FACTS)
    with closing(sqlite3.connect(new)) as connection:
        found = set(connection.execute("SELECT place, path, blake3 FROM copies_with_paths"))
    assert found == {(one.place, os.fsencode(one.path), one.content) for one in FACTS}


def test_nothing_in_the_schema_asks_for_a_function_of_this_program(tmp_path: Path) -> None:
    """Whoever has only SQLite can read it, write it and check it."""
    new = new_catalog(tmp_path / "new", FACTS)
    with closing(sqlite3.connect(new, isolation_level=None)) as connection:
        schema = "\n".join(
            sql for (sql,) in connection.execute("SELECT sql FROM sqlite_schema WHERE sql NOT NULL")
        )
        assert "folder_length" not in schema
        connection.execute("INSERT INTO folders (no, path) VALUES (900, CAST('a/' AS BLOB))")
        connection.execute("INSERT INTO copies VALUES (900, 1, 900, CAST('b' AS BLOB), 1)")
        for wrong in (
            "copies SET name = CAST('c/d' AS BLOB)",
            "folders SET path = CAST('a' AS BLOB)",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
                connection.execute(f"UPDATE {wrong} WHERE no = 900")
