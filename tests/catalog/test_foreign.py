"""Snapshots that somebody made who holds no rule: each attack by hand, each refused in words."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from backupkeeper.catalog import foreign, opening
from backupkeeper.catalog.foreign import checked
from backupkeeper.catalog.foreign_rows import EARLIEST, LATEST, event_is_fine, path_is_fine
from backupkeeper.core.errors import SnapshotError
from backupkeeper.core.model import EventKind, PlaceId, PlaceKind, Role
from tests.catalog.foreign_made import attacked, make, packed, says, unpacked, usual
from tests.catalog.made import place


def sql(*statements: str) -> Callable[[sqlite3.Connection], None]:
    def attack(connection: sqlite3.Connection) -> None:
        for statement in statements:
            connection.execute(statement)

    return attack


def schema(statement: str) -> Callable[[sqlite3.Connection], None]:
    """Writes into the table of the schema itself."""
    return sql("PRAGMA writable_schema = ON", statement, "PRAGMA writable_schema = RESET")


OTHER_SCHEMA = {
    "a trigger": sql(
        "CREATE TRIGGER t AFTER INSERT ON facts BEGIN DELETE FROM facts WHERE result <> 1; END"
    ),
    "a view": sql("CREATE VIEW v AS SELECT load_extension('evil.so')"),
    "a view in a table's place": sql(
        "DROP TABLE digests", "CREATE VIEW digests AS SELECT 1 AS content, 2 AS kind, 3 AS value"
    ),
    "a table more": sql("CREATE TABLE more (x)"),
    "a virtual table": sql("CREATE VIRTUAL TABLE more USING fts5 (x)"),
    "a table less": sql("DROP TABLE events"),
    "an index more": sql("CREATE INDEX i ON facts (at)"),
    "an index on an expression": sql("CREATE INDEX i ON words (zeroblob(length(text) * 1000000))"),
    "an index less": sql("DROP INDEX misses"),
    "a column more": sql("ALTER TABLE facts ADD COLUMN x INTEGER"),
    "a generated column": sql(
        "ALTER TABLE words ADD COLUMN x BLOB GENERATED ALWAYS AS (zeroblob(999999999)) VIRTUAL"
    ),
    "a table that is not strict": schema(
        "UPDATE sqlite_schema SET sql = replace(sql, 'STRICT', '') WHERE name = 'words'"
    ),
    "a check that is gone": schema(
        "UPDATE sqlite_schema SET sql = replace(sql, 'CHECK (length(blake3) = 32)', '') "
        "WHERE name = 'content_ids'"
    ),
    "statistics": sql("ANALYZE"),
}


@pytest.mark.parametrize("case", OTHER_SCHEMA)
def test_another_schema_is_refused(case: str, tmp_path: Path) -> None:
    other = attacked(usual(tmp_path / "catalog"), tmp_path / "other", OTHER_SCHEMA[case])
    with pytest.raises(SnapshotError, match="schema is not this program's"):
        checked(str(other))


OTHER_ROWS = {
    "a folder out of a place": ("UPDATE folders SET path = CAST('../' AS BLOB)", "copies"),
    "a folder that leads out again": ("UPDATE folders SET path = CAST('a/../' AS BLOB)", "copies"),
    "an absolute folder": ("UPDATE folders SET path = CAST('/etc/' AS BLOB)", "copies"),
    "the root as a folder": ("UPDATE folders SET path = CAST('/' AS BLOB)", "copies"),
    "a folder with a zero": ("UPDATE folders SET path = X'4100422F'", "copies"),
    "a name that leads up": ("UPDATE copies SET name = CAST('..' AS BLOB) WHERE no = 1", "copies"),
    "a name that leads nowhere": ("UPDATE copies SET name = X'2E' WHERE no = 1", "copies"),
    "a name with a zero": ("UPDATE copies SET name = X'410042' WHERE no = 1", "copies"),
    "an empty name": ("UPDATE copies SET name = X'' WHERE no = 1", "copies"),
    "a path that is too long": (
        "UPDATE copies SET name = CAST(replace(hex(zeroblob(8180)), '00', 'b') AS BLOB) WHERE no = 1",
        "copies",
    ),
    "a roll elsewhere": ("UPDATE rolls SET folder = CAST('a/../..' AS BLOB)", "rolls"),
    "a roll's file elsewhere": (
        "UPDATE roll_files SET path = CAST('../' || CAST(path AS TEXT) AS BLOB)",
        "rolls' files",
    ),
    "a roll with a file less": ("DELETE FROM roll_files WHERE content = 1", "what its id says"),
    "a roll with another file": ("UPDATE roll_files SET content = 4 WHERE content = 1", "id says"),
    "a roll that counts wrongly": ("UPDATE rolls SET file_count = 2", "what its id says"),
    "a roll that is larger": ("UPDATE rolls SET size_bytes = size_bytes + 1", "what its id says"),
    "a roll of another name": ("UPDATE rolls SET id = 'ff' || substr(id, 3)", "what its id says"),
    "a roll without files": ("DELETE FROM roll_files", "what its id says"),
    "a file of another size": ("UPDATE contents SET size = 6 WHERE no = 1", "rolls' files"),
    "a size below nothing": ("UPDATE contents SET size = -1 WHERE no = 4", "contents"),
    "a block map too long": (
        "UPDATE contents SET block_map = zeroblob(32) WHERE no = 1",
        "contents",
    ),
    "a block map too short": ("UPDATE contents SET block_map = X'' WHERE no = 1", "contents"),
    "damage of half a number": ("UPDATE facts SET damage = X'00' WHERE copy = 1", "facts"),
    "damage of everything there is": (
        "UPDATE facts SET damage = X'00000000000000007fffffffffffffff' WHERE copy = 1",
        "facts",
    ),
    "damage below nothing": (
        "UPDATE facts SET damage = X'ffffffffffffffff0000000000000001' WHERE copy = 1",
        "facts",
    ),
    "a time that is none": ("UPDATE facts SET at = 9223372036854775807 WHERE copy = 1", "facts"),
    "a fact without evidence": ("UPDATE facts SET evidence = 0 WHERE copy = 1", "facts"),
    "a word that is none": ("UPDATE words SET text = NULL WHERE no = 1", "words"),
    "a word that is endless": ("UPDATE words SET text = zeroblob(1000000) WHERE no = 1", "words"),
    "a way that never was": ("INSERT INTO ways VALUES (8, 'readback for sure')", "ways"),
    "a result by another name": (
        "UPDATE results SET name = CASE no WHEN 1 THEN 'a' WHEN 2 THEN 'matches' ELSE name END",
        "results",
    ),
    "a place that leads elsewhere": (
        "UPDATE place_ids SET id = '../../etc/x' WHERE no = 1",
        "places' ids",
    ),
    "a place of no role": ("UPDATE places SET role = 'hero'", "places"),
    "a place of no kind": ("UPDATE places SET kind = 'cloud'", "places"),
    "a place that stands nowhere": ("UPDATE places SET standing = 'fine'", "places"),
    "a place with a name for terminals": (
        "UPDATE places SET name = X'1b5b324a'",
        "places",
    ),
    "a place without a name": ("UPDATE places SET name = X''", "places"),
    "a drive at no path": ("UPDATE places SET location = CAST('media' AS BLOB)", "places"),
    "a drive in the cloud": ("UPDATE places SET role = 'cloud'", "places"),
    "a bucket on a drive": ("UPDATE places SET kind = 'bucket', role = 'cloud'", "places"),
    "a place described at no time": ("UPDATE described SET at = -9223372036854775807", "places"),
    "a digest that is none": ("INSERT INTO digests VALUES (1, 'md5', 'a b')", "digests"),
    "a kind of digest that is none": ("INSERT INTO digests VALUES (1, '<x/>', 'ab')", "digests"),
    "text that is no text": ("UPDATE rolls SET id = CAST(X'ff' AS TEXT)", ""),
    "an event that is no text": (
        "INSERT INTO events VALUES (CAST(X'ff' AS TEXT), X'', 0, X'')",
        "",
    ),
    "an open roll elsewhere": ("UPDATE open_rolls SET folder = CAST('/x' AS BLOB)", "open rolls"),
    "an open roll's file elsewhere": (
        "UPDATE open_files SET path = CAST('a//b' AS BLOB)",
        "open rolls",
    ),
    "a fact about nothing": ("UPDATE facts SET copy = 999 WHERE copy = 1", "missing in another"),
    "a fact in no words": ("UPDATE facts SET mount = 999 WHERE copy = 1", "missing in another"),
}


@pytest.mark.parametrize("case", OTHER_ROWS)
def test_what_this_program_never_writes_is_refused(case: str, tmp_path: Path) -> None:
    statement, told = OTHER_ROWS[case]
    other = attacked(usual(tmp_path / "catalog"), tmp_path / "other", sql(statement))
    with pytest.raises(SnapshotError) as caught:
        checked(str(other))
    assert told in caught.value.message


@pytest.mark.parametrize("how", ["integrity_check", "quick_check"])
@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("content_ids", "blake3 = X'00' WHERE no = 1"),
        ("contents", "xxh128 = X'00' WHERE no = 1"),
        ("places", "spins = 2"),
        ("facts", "cold = 2 WHERE copy = 1"),
        ("identity", "id = ''"),
        ("thinned", "facts = -1"),
        # Else one path could stand twice, and what lies below a folder would not be found.
        ("copies", "name = CAST('a/b' AS BLOB) WHERE no = 1"),
        ("folders", "path = CAST('a' AS BLOB)"),
    ],
)
def test_what_the_schema_itself_forbids_is_refused(
    table: str, change: str, how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen: SQLite holds a file that is opened to be read only to none of its CHECK constraints."""
    monkeypatch.setattr(foreign, "SMALL_BYTES", 0 if how == "quick_check" else 1 << 30)
    attack = sql("PRAGMA ignore_check_constraints = ON", f"UPDATE {table} SET {change}")
    other = attacked(usual(tmp_path / "catalog"), tmp_path / "other", attack)
    with pytest.raises(SnapshotError, match=f"CHECK constraint failed in {table}"):
        checked(str(other))


def test_what_is_untouched_passes(tmp_path: Path) -> None:
    """The attacks above are refused for what they did, not for the way there."""
    path = usual(tmp_path / "catalog")
    found = checked(str(attacked(path, tmp_path / "other", sql("SELECT 1"))))
    assert (found.rolls, found.files, found.facts, found.places) == (1, 3, 4, 1)


def test_wrong_types_are_refused(tmp_path: Path) -> None:
    other = attacked(
        usual(tmp_path / "catalog"),
        tmp_path / "other",
        schema("UPDATE sqlite_schema SET sql = replace(sql, 'STRICT', '') WHERE name = 'contents'"),
    )
    with closing(sqlite3.connect(other, isolation_level=None)) as connection:
        connection.execute("UPDATE contents SET size = 'much' WHERE no = 1")
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(
            "UPDATE sqlite_schema SET sql = sql || ' STRICT' WHERE name = 'contents'"
        )
    with pytest.raises(SnapshotError):
        checked(str(other))


def test_a_newer_schema_is_refused_with_what_to_do(tmp_path: Path) -> None:
    other = attacked(usual(tmp_path / "c"), tmp_path / "o", sql("PRAGMA user_version = 900"))
    with pytest.raises(SnapshotError, match="newer version") as caught:
        checked(str(other))
    assert "Install the newer version" in caught.value.advice


@pytest.mark.parametrize("version", [0, -3])
def test_a_schema_that_never_was_is_refused(version: int, tmp_path: Path) -> None:
    attack = sql(f"PRAGMA user_version = {version}")
    with pytest.raises(SnapshotError, match="never was"):
        checked(str(attacked(usual(tmp_path / "c"), tmp_path / "o", attack)))


def test_an_older_version_that_lies_about_its_schema_is_refused(tmp_path: Path) -> None:
    other = attacked(usual(tmp_path / "c"), tmp_path / "o", sql("PRAGMA user_version = 1"))
    with pytest.raises(SnapshotError, match="schema is not this program's"):
        checked(str(other))


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    other = attacked(usual(tmp_path / "c"), tmp_path / "o", sql("PRAGMA application_id = 7"))
    with pytest.raises(SnapshotError, match="no catalog of this program"):
        checked(str(other))


@pytest.mark.parametrize("version", sorted(opening.scripts())[:-1])
def test_an_older_schema_is_brought_up_to_date_on_the_copy(version: int, tmp_path: Path) -> None:
    old = tmp_path / "old"
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        opening.migrate(connection, str(old), {
            number: text for number, text in opening.scripts().items() if number <= version
        })  # fmt: skip
        connection.execute("INSERT INTO content_ids VALUES (1, ?)", (bytes(32),))
    checked(str(old))
    assert says(old)["named"] == {(bytes(32),)}
    with closing(sqlite3.connect(old)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (max(opening.scripts()),)


def test_a_large_one_is_checked_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(foreign, "SMALL_BYTES", 0)
    other = unpacked(packed(usual(tmp_path / "c")), tmp_path / "o")
    checked(str(other))
    raw = bytearray(other.read_bytes())
    raw[8192:16384] = b"\xff" * 8192
    other.write_bytes(raw)
    with pytest.raises(SnapshotError):
        checked(str(other))


@pytest.mark.parametrize(
    ("path", "is_fine"),
    [
        (b"a", True),
        (b"a/b c/\xff", True),
        (b"...", True),
        (b"..a/b..", True),
        (b"", False),
        (b"/", False),
        (b"a/", False),
        (b"a//b", False),
        (b".", False),
        (b"a/./b", False),
        (b"a/..", False),
        (b"a\0b", False),
        (b"a" * 9000, False),
    ],
)
def test_a_path_is_one_below_a_place(path: bytes, is_fine: bool) -> None:
    assert path_is_fine(path) == is_fine


HEALTH = '{"signs": {"at": "2026-06-12T18:00:00+00:00", "critical": [], "warnings": [%s]}}'


@pytest.mark.parametrize(
    ("kind", "detail", "is_fine"),
    [
        (EventKind.SEEN, "anything at all", True),
        ("news of tomorrow", "", False),
        (EventKind.MOVED, "5 1.5", True),
        (EventKind.MOVED, "5 nan", False),
        (EventKind.MOVED, "-5 1", False),
        (EventKind.PROOF_TIME, "12.5", True),
        (EventKind.PROOF_TIME, "inf", False),
        (EventKind.HEALTH, HEALTH % '"hot"', True),
        (EventKind.HEALTH, HEALTH % "7", False),
        (EventKind.HEALTH, HEALTH.replace("[]", "3") % "", False),
        (EventKind.HEALTH, '{"signs": null}', True),
        (EventKind.HEALTH, HEALTH.replace("}}", ', "pending": "many"}}') % "", False),
        (EventKind.HEALTH, HEALTH.replace("}}", ', "pending": 3}}') % "", True),
        (EventKind.HEALTH, HEALTH.replace("+00:00", "") % "", False),
        (EventKind.HEALTH, "[" * 100_000, False),
        (EventKind.HEALTH, "{}", False),
        (EventKind.CARD_TAKEN, "[" * 100_000, False),
        (EventKind.POSTERS, ' {"a":' * 100_000, False),
        (EventKind.POSTERS, '["main", "travel"]', True),
        (EventKind.TOLD, "[a sentence, not JSON", True),
        (EventKind.TOLD, "x" * (2 << 20), False),
    ],
)
def test_which_events_can_be_taken_over(kind: str, detail: str, is_fine: bool) -> None:
    assert event_is_fine(str(kind), b"subject", 0, detail.encode()) == is_fine
    assert not event_is_fine(str(kind), b"subject", LATEST + 1, detail.encode())
    assert not event_is_fine(str(kind), b"subject", EARLIEST - 1, detail.encode())


def test_what_opens_it_runs_nothing_of_it(tmp_path: Path) -> None:
    """Even a default or check that calls for an extension is only text: it is refused unread."""
    attack = schema(
        "UPDATE sqlite_schema SET sql = replace(sql, 'name TEXT NOT NULL UNIQUE', "
        "'name TEXT NOT NULL UNIQUE CHECK (load_extension(name))') WHERE name = 'ways'"
    )
    with pytest.raises(SnapshotError, match="schema is not this program's"):
        checked(str(attacked(usual(tmp_path / "c"), tmp_path / "o", attack)))


def test_a_place_as_real_ones_are_passes(tmp_path: Path) -> None:
    store = PlaceId("7f5c2a5e-9d0f-4d9e-9a2a-3f0a0f7f0003")
    bucket = place(
        store, name="Off site", role=Role.CLOUD, kind=PlaceKind.BUCKET, location="s3://yard/footage",
        endpoint="https://store.boat.example:9000", profile="footage", device="x s3://yard",
    )  # fmt: skip
    folder = place(kind=PlaceKind.FOLDER, location="/home/yard/Ö \udcff", spins=True, size_bytes=9)
    path = make(tmp_path / "c", places=[(bucket, 1), (folder, 2)])
    assert checked(str(unpacked(packed(path), tmp_path / "o"))).places == 2
