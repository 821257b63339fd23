"""Two catalogs made one: the union of what they say.

Promises:
1. Merging is commutative, associative and idempotent (``tests/catalog/test_merge_laws.py``): facts,
   contents, rolls, places, open rolls and events are united; where both describe one thing in two
   ways, a total order chooses that knows nothing of which one is ours. Of a place the description
   that was made last counts (one from the future counts as made first), of how it stands the last
   word (``catalog.standings``), of a roll that which was sealed first. What a machine did, or told its
   person, is its own and is not taken over (``core.merging.OWN_EVENTS``).
2. Nothing that was known is lost: every fact of ours stands afterwards.
3. Two catalogs that describe one content in two ways are not merged at all: one of them is wrong.
4. All of it or nothing: one transaction.

The other catalog must have passed ``catalog.foreign.checked``. Its proofs are taken as what they are:
facts of their time, about a place that is known by its marker and its file system. How old they may
be, and what was seen since, is for ``core.policy`` as ever.
"""

# ruff: noqa: S608 - statements are put together from constants only; every value is bound

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from backupkeeper.catalog import differences, rows, standings
from backupkeeper.catalog.faults import told
from backupkeeper.catalog.foreign import Checked
from backupkeeper.catalog.foreign_rows import event_is_fine
from backupkeeper.catalog.opening import connect, statements
from backupkeeper.core.errors import SnapshotError
from backupkeeper.core.merging import OWN_EVENTS
from backupkeeper.core.rebuilding import Settled
from backupkeeper.ports.clock import Clock

PATIENCE_S: Final = 10.0
CLOCK_SLACK: Final = timedelta(days=1)
"""A description dated further ahead was made by a wrong clock, or is a lie."""
_PLACE_COLUMNS: Final = (
    "name, role, kind, created_at, location, standing, fs_uuid, label, size_bytes, device, spins, "
    "endpoint, profile"
)
_STANDING: Final = 5
"""Which of these columns it is."""
_PROFILE: Final = 12
"""The last of them: by what name this machine calls its own credentials. That stays as it is."""
_ROLL_COLUMNS: Final = "id, shoot, source, name, folder, sealed_at, file_count, size_bytes"

_NAMES: Final = """
INSERT OR IGNORE INTO main.words (text) SELECT text FROM theirs.words WHERE no <> 0;
INSERT OR IGNORE INTO main.place_ids (id) SELECT id FROM theirs.place_ids;
INSERT OR IGNORE INTO main.content_ids (blake3) SELECT blake3 FROM theirs.content_ids;
CREATE TEMP TABLE word_of (theirs INTEGER PRIMARY KEY, ours INTEGER NOT NULL);
INSERT INTO temp.word_of
    SELECT t.no, o.no FROM theirs.words t JOIN main.words o ON o.text = t.text WHERE t.no <> 0
    UNION ALL SELECT 0, 0;
CREATE TEMP TABLE place_of (theirs INTEGER PRIMARY KEY, ours INTEGER NOT NULL);
INSERT INTO temp.place_of
    SELECT t.no, o.no FROM theirs.place_ids t JOIN main.place_ids o ON o.id = t.id;
CREATE TEMP TABLE content_of (theirs INTEGER PRIMARY KEY, ours INTEGER NOT NULL);
INSERT INTO temp.content_of
    SELECT t.no, o.no FROM theirs.content_ids t JOIN main.content_ids o ON o.blake3 = t.blake3;
"""
"""Each thing gets a number of ours; then which number of theirs is which of ours."""
_CONFLICTS: Final = """
SELECT 1 FROM theirs.contents t JOIN temp.content_of m ON m.theirs = t.no
    JOIN main.contents o ON o.no = m.ours
    WHERE (o.size, o.xxh128, o.block_map) <> (t.size, t.xxh128, t.block_map) LIMIT 1;
SELECT 1 FROM theirs.digests t JOIN temp.content_of m ON m.theirs = t.content
    JOIN main.digests o ON o.content = m.ours AND o.kind = t.kind
    WHERE o.value <> t.value LIMIT 1;
SELECT 1 FROM theirs.roll_files t JOIN temp.content_of m ON m.theirs = t.content
    JOIN main.contents o ON o.no = m.ours WHERE o.size <> t.size LIMIT 1;
SELECT 1 FROM theirs.contents t JOIN temp.content_of m ON m.theirs = t.no
    JOIN main.roll_files o ON o.content = m.ours WHERE o.size <> t.size LIMIT 1;
"""
_CONTENTS_AND_COPIES: Final = """
INSERT OR IGNORE INTO main.contents (no, size, xxh128, block_map)
    SELECT m.ours, t.size, t.xxh128, t.block_map
    FROM theirs.contents t JOIN temp.content_of m ON m.theirs = t.no;
INSERT OR IGNORE INTO main.digests (content, kind, value)
    SELECT m.ours, t.kind, t.value
    FROM theirs.digests t JOIN temp.content_of m ON m.theirs = t.content;
INSERT OR IGNORE INTO main.folders (path) SELECT path FROM theirs.folders;
CREATE TEMP TABLE folder_of (theirs INTEGER PRIMARY KEY, ours INTEGER NOT NULL);
INSERT INTO temp.folder_of
    SELECT t.no, o.no FROM theirs.folders t JOIN main.folders o ON o.path = t.path;
INSERT OR IGNORE INTO main.copies (place, folder, name, content)
    SELECT p.ours, f.ours, t.name, c.ours FROM theirs.copies t
    JOIN temp.place_of p ON p.theirs = t.place JOIN temp.folder_of f ON f.theirs = t.folder
    JOIN temp.content_of c ON c.theirs = t.content;
CREATE TEMP TABLE copy_of (theirs INTEGER PRIMARY KEY, ours INTEGER NOT NULL);
INSERT INTO temp.copy_of
    SELECT t.no, o.no FROM theirs.copies t
    JOIN temp.place_of p ON p.theirs = t.place JOIN temp.folder_of f ON f.theirs = t.folder
    JOIN temp.content_of c ON c.theirs = t.content
    JOIN main.copies o ON o.place = p.ours AND o.folder = f.ours AND o.name = t.name
        AND o.content = c.ours;
"""
_UPLOADS: Final = """
INSERT OR IGNORE INTO main.uploads_under_way
    (place, path, content, upload, part_bytes, extra_check, enforced, ticket, begun_at)
    SELECT p.ours, t.path, c.ours, t.upload, t.part_bytes, t.extra_check, t.enforced, t.ticket,
           t.begun_at
    FROM theirs.uploads_under_way t JOIN temp.place_of p ON p.theirs = t.place
    JOIN temp.content_of c ON c.theirs = t.content
"""
"""No facts: the store is asked whether there is still such an upload."""
_ENCRYPTED: Final = """
INSERT INTO main.encrypted
    (place, path, content, key, made_blake3, at, size, recipients, made_size, made_xxh128, made_map)
    SELECT p.ours, t.path, c.ours, t.key, t.made_blake3, t.at, t.size, t.recipients, t.made_size,
           t.made_xxh128, t.made_map
    FROM theirs.encrypted t JOIN temp.place_of p ON p.theirs = t.place
    JOIN temp.content_of c ON c.theirs = t.content WHERE true
    ON CONFLICT (place, path, content, key, made_blake3) DO UPDATE SET at = max(at, excluded.at)
"""
_FACTS: Final = """
INSERT OR IGNORE INTO main.facts
    (copy, at, way, result, cold, evidence, version, mount, note, damage)
    SELECT m.ours, t.at, t.way, t.result, t.cold, e.ours, v.ours, w.ours, n.ours, t.damage
    FROM theirs.facts t JOIN temp.copy_of m ON m.theirs = t.copy
    JOIN temp.word_of e ON e.theirs = t.evidence JOIN temp.word_of v ON v.theirs = t.version
    JOIN temp.word_of w ON w.theirs = t.mount JOIN temp.word_of n ON n.theirs = t.note
"""
_LONG_AGO: Final = rows.micros(datetime.min.replace(tzinfo=UTC))
_MAPS: Final = ("word_of", "place_of", "content_of", "folder_of", "copy_of")


@dataclass(frozen=True, kw_only=True, slots=True)
class Merged:
    """What was new: so many facts, rolls and contents; places described otherwise now, by id.

    ``settled``: what the two said otherwise, the first of ``settled_count``.
    """

    facts: int
    rolls: int
    places: tuple[str, ...]
    files: int = 0
    settled: tuple[Settled, ...] = ()
    settled_count: int = 0


def merge(path: str, theirs: Checked, *, clock: Clock) -> Merged:
    """Add all that another catalog says to ours.

    Args:
        path: our catalog's file; others may use it meanwhile.
        theirs: the other one.
        clock: tells which descriptions of places come from the future.

    Raises:
        SnapshotError: the two contradict each other; nothing was changed.
        CatalogError: ours can't be used, or there is no room.
    """
    connection, _ = connect(path, clock=clock, patience_s=PATIENCE_S)
    with told(path), closing(connection):
        connection.execute("ATTACH DATABASE ? AS theirs", (theirs.path,))
        connection.execute("BEGIN IMMEDIATE")
        try:
            merged = _merge(connection, rows.micros(clock.now() + CLOCK_SLACK))
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return merged


def _merge(connection: sqlite3.Connection, latest: int) -> Merged:
    for statement in statements(_NAMES):
        connection.execute(statement)
    for question in statements(_CONFLICTS):
        if connection.execute(question).fetchone() is not None:
            raise SnapshotError(
                "It describes a file otherwise than the catalog does: one of the two is wrong.",
                advice="Nothing of it was taken over.",
            )
    had = _contents(connection)
    for statement in statements(_CONTENTS_AND_COPIES):
        connection.execute(statement)
    settled = list(differences.of_copies(connection))
    facts = connection.execute(_FACTS).rowcount
    connection.execute(_UPLOADS)
    connection.execute(_ENCRYPTED)
    rolls = _rolls(connection)
    _open_rolls(connection)
    described = differences.descriptions(connection)
    places = _places(connection, latest)
    _events(connection)
    standings.settle(connection)
    settled += differences.of_places(described, differences.descriptions(connection))
    for table in _MAPS:
        connection.execute(f"DROP TABLE temp.{table}")
    return Merged(
        facts=max(facts, 0),
        rolls=rolls,
        places=places,
        files=_contents(connection) - had,
        settled=tuple(settled[: differences.MOST_TOLD]),
        settled_count=len(settled),
    )


def _contents(connection: sqlite3.Connection) -> int:
    return int(connection.execute("SELECT count(*) FROM main.contents").fetchone()[0])


# -- rolls: the whole roll of that catalog which sealed it first


def _rolls(connection: sqlite3.Connection) -> int:
    """Each roll that is new, or that they sealed first. Returns how many are new."""
    new = 0
    for number, *head in connection.execute(
        f"SELECT no, {_ROLL_COLUMNS} FROM theirs.rolls"
    ).fetchall():
        mine = connection.execute(
            f"SELECT no, {_ROLL_COLUMNS} FROM main.rolls WHERE id = ?", (head[0],)
        ).fetchone()
        if mine is None:
            new += 1
        elif _rank(connection, "theirs", number, head) < _rank(
            connection, "main", mine[0], list(mine[1:])
        ):
            for table in ("roll_files", "roll_folders", "roll_left_out"):
                connection.execute(f"DELETE FROM main.{table} WHERE roll = ?", (mine[0],))
            connection.execute("DELETE FROM main.rolls WHERE no = ?", (mine[0],))
        else:
            continue
        _take_roll(connection, number, head)
    return new


def _rank(
    connection: sqlite3.Connection, schema: str, number: int, head: list[object]
) -> tuple[object, ...]:
    """A total order of two descriptions of one roll: by the time of sealing, then by all else."""
    _ident, shoot, source, name, folder, sealed_at, _count, _size = head
    first = (sealed_at, folder, shoot, source, name)
    rest = (
        tuple(connection.execute(f"{question} WHERE roll = ? ORDER BY 1", (number,)).fetchall())
        for question in (
            f"SELECT path, size, mtime_ns FROM {schema}.roll_files",
            f"SELECT position, path FROM {schema}.roll_folders",
            f"SELECT position, path, why FROM {schema}.roll_left_out",
        )
    )
    return (*first, *rest)


def _take_roll(connection: sqlite3.Connection, number: int, head: list[object]) -> None:
    added = connection.execute(
        f"INSERT INTO main.rolls ({_ROLL_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?) RETURNING no",
        head,
    ).fetchall()
    pair = (added[0][0], number)
    connection.execute(
        "INSERT INTO main.roll_files (roll, path, content, size, mtime_ns) "
        "SELECT ?, t.path, m.ours, t.size, t.mtime_ns FROM theirs.roll_files t "
        "JOIN temp.content_of m ON m.theirs = t.content WHERE t.roll = ?",
        pair,
    )
    for table, columns in (("roll_folders", "path"), ("roll_left_out", "path, why")):
        connection.execute(
            f"INSERT INTO main.{table} (roll, position, {columns}) "
            f"SELECT ?, position, {columns} FROM theirs.{table} WHERE roll = ?",
            pair,
        )


# -- open rolls: all their files; of two descriptions the greater one


def _open_rolls(connection: sqlite3.Connection) -> None:
    columns = "folder, shoot, source, name, begun_at"
    for number, *row in connection.execute(
        f"SELECT no, {columns} FROM theirs.open_rolls"
    ).fetchall():
        mine = connection.execute(
            f"SELECT no, {columns} FROM main.open_rolls WHERE folder = ?", (row[0],)
        ).fetchone()
        if mine is None:
            added = connection.execute(
                f"INSERT INTO main.open_rolls ({columns}) VALUES (?, ?, ?, ?, ?) RETURNING no", row
            ).fetchall()
            ours = added[0][0]
        else:
            ours = mine[0]
            if row[1:] > list(mine[2:]):
                connection.execute(
                    "UPDATE main.open_rolls SET shoot = ?, source = ?, name = ?, begun_at = ? "
                    "WHERE no = ?",
                    (*row[1:], ours),
                )
        connection.execute(
            "INSERT INTO main.open_files (roll, path, content, size, mtime_ns) "
            "SELECT ?, t.path, m.ours, t.size, t.mtime_ns FROM theirs.open_files t "
            "JOIN temp.content_of m ON m.theirs = t.content WHERE t.roll = ? "
            "ON CONFLICT (roll, path) DO UPDATE SET content = excluded.content, "
            "size = excluded.size, mtime_ns = excluded.mtime_ns "
            "WHERE (excluded.mtime_ns, excluded.size, (SELECT blake3 FROM main.content_ids "
            "WHERE no = excluded.content)) > (open_files.mtime_ns, open_files.size, "
            "(SELECT blake3 FROM main.content_ids WHERE no = open_files.content))",
            (ours, number),
        )


def settle(path: str, *, clock: Clock) -> int:
    """Drop open rolls of which every file stands in a sealed roll under the same path.

    Merging old snapshots with newer ones brings them back; this is no part of merging, for only the
    whole can say which they are.

    Returns:
        How many were dropped.

    Raises:
        CatalogError: it can't be used.
    """
    connection, _ = connect(path, clock=clock, patience_s=PATIENCE_S)
    with told(path), closing(connection):
        done = connection.execute(
            "DELETE FROM open_rolls WHERE NOT EXISTS (SELECT 1 FROM open_files f "
            "WHERE f.roll = open_rolls.no AND NOT EXISTS (SELECT 1 FROM roll_files s "
            "WHERE s.content = f.content AND s.path = f.path))"
        )
        return done.rowcount


# -- places: the description that was made last


def _places(connection: sqlite3.Connection, latest: int) -> tuple[str, ...]:
    connection.execute("UPDATE main.described SET at = ? WHERE at > ?", (_LONG_AGO, latest))
    ours, theirs = (_described(connection, schema, latest) for schema in ("main", "theirs"))
    changed = []
    for ident, (row, at) in theirs.items():
        if ident in ours and not _order(row, at) > _order(*ours[ident]):
            continue
        changed.append(ident)
        kept = row if ident not in ours else (*row[:_PROFILE], *ours[ident][0][_PROFILE:])
        (number,) = connection.execute(
            "SELECT no FROM main.place_ids WHERE id = ?", (ident,)
        ).fetchone()
        connection.execute("DELETE FROM main.described WHERE place = ?", (number,))
        connection.execute("DELETE FROM main.places WHERE no = ?", (number,))
        connection.execute(
            f"INSERT INTO main.places (no, {_PLACE_COLUMNS}) VALUES ({', '.join('?' * 14)})",
            (number, *kept),
        )
        connection.execute("INSERT INTO main.described (place, at) VALUES (?, ?)", (number, at))
    return tuple(sorted(changed))


def _described(
    connection: sqlite3.Connection, schema: str, latest: int
) -> dict[str, tuple[tuple[object, ...], int]]:
    found = connection.execute(
        f"SELECT i.id, coalesce(d.at, {_LONG_AGO}), {_PLACE_COLUMNS} FROM {schema}.places p "
        f"JOIN {schema}.place_ids i USING (no) LEFT JOIN {schema}.described d ON d.place = p.no"
    )
    return {
        ident: (tuple(row), at if at <= latest else _LONG_AGO)
        for ident, at, *row in found.fetchall()
    }


def _order(row: Iterable[object], at: int) -> tuple[int, tuple[tuple[bool, object], ...]]:
    """Newest description last; among equals any total order does, without ``None`` among values.

    The standing decides last: where persons said how a place stands it is overwritten afterwards.
    """
    values = [(value is not None, 0 if value is None else value) for value in row]
    standing = values.pop(_STANDING)
    return at, (*values, standing)


# -- events


def _events(connection: sqlite3.Connection) -> None:
    connection.create_function("event_is_fine", 4, event_is_fine, deterministic=True)
    own = ", ".join(f"'{kind.value}'" for kind in sorted(OWN_EVENTS))
    connection.execute(
        "INSERT OR IGNORE INTO main.events (kind, subject, at, detail) "
        "SELECT kind, subject, at, detail FROM theirs.events "
        f"WHERE kind NOT IN ({own}) AND event_is_fine(kind, subject, at, detail)"
    )
