"""Putting facts into the catalog: each function runs inside a transaction that its caller holds.

Promises:
1. Recording the same thing again changes nothing, and the order of recording does not matter.
2. A content that is described twice in different ways (same BLAKE3, other size, XXH3-128 or block
   map) is refused: one of the two is wrong.
"""

# ruff: noqa: S608 - statements are put together from constants only; every value is bound

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import islice
from typing import Final, TypeVar

from backupkeeper.catalog import rows, standings
from backupkeeper.core.errors import CatalogError
from backupkeeper.core.model import Content, Fact, Place, Roll, RollFile
from backupkeeper.ports.catalog import OpenRoll

_T = TypeVar("_T")
BATCH: Final = 1000
"""Facts handed to SQLite at once; bounds memory, not the transaction."""

_ADD_CONTENT_ID: Final = "INSERT INTO content_ids (blake3) VALUES (?) ON CONFLICT DO NOTHING"
_CONTENT_NO: Final = "(SELECT no FROM content_ids WHERE blake3 = ?)"
_WORD_NO: Final = "COALESCE((SELECT no FROM words WHERE text = ?), 0)"
_ADD_COPY: Final = (
    "INSERT INTO copies (place, folder, name, content) VALUES ((SELECT no FROM place_ids "
    f"WHERE id = ?), ?, ?, {_CONTENT_NO}) ON CONFLICT DO NOTHING"
)
_ADD_FACT: Final = (
    "INSERT INTO facts (at, way, result, cold, evidence, version, mount, note, damage, copy) "
    f"SELECT ?, ?, ?, ?, {_WORD_NO}, {_WORD_NO}, {_WORD_NO}, {_WORD_NO}, ?, no FROM copies "
    "WHERE place = (SELECT no FROM place_ids WHERE id = ?) AND folder = ? "
    f"AND name = ? AND content = {_CONTENT_NO} ON CONFLICT DO NOTHING"
)
_PUT_PLACE: Final = """
INSERT INTO places (no, name, role, kind, created_at, location, standing, fs_uuid, label,
                    size_bytes, device, spins, endpoint, profile)
VALUES ((SELECT no FROM place_ids WHERE id = ?), ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (no) DO UPDATE SET
    name = excluded.name, role = excluded.role, kind = excluded.kind,
    created_at = excluded.created_at, location = excluded.location, standing = excluded.standing,
    fs_uuid = excluded.fs_uuid, label = excluded.label, size_bytes = excluded.size_bytes,
    device = excluded.device, spins = excluded.spins, endpoint = excluded.endpoint,
    profile = excluded.profile
"""
_DESCRIPTION: Final = """
SELECT name, role, kind, created_at, location, standing, fs_uuid, label, size_bytes, device, spins,
       endpoint, profile
FROM places WHERE no = (SELECT no FROM place_ids WHERE id = ?)
"""
_PUT_DESCRIBED: Final = """
INSERT INTO described (place, at) VALUES ((SELECT no FROM place_ids WHERE id = ?), ?)
ON CONFLICT (place) DO UPDATE SET at = excluded.at
"""
_ADD_ROLL: Final = """
INSERT INTO rolls (id, shoot, source, name, folder, sealed_at, file_count, size_bytes)
VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING RETURNING no
"""


def batches(things: Iterable[_T], size: int = BATCH) -> Iterator[list[_T]]:
    """The things, some at a time."""
    iterator = iter(things)
    while batch := list(islice(iterator, size)):
        yield batch


def put_place(connection: sqlite3.Connection, place: Place, at: datetime) -> None:
    """Add a place or update it. ``at``: when it was found to be so; kept where that is news."""
    _add_place_ids(connection, [place.id])
    before = connection.execute(_DESCRIPTION, (place.id,)).fetchone()
    row = rows.place_row(place)
    if before == row:
        return
    connection.execute(_PUT_PLACE, (place.id, *row))
    connection.execute(_PUT_DESCRIBED, (place.id, rows.micros(at)))
    standings.settle(connection)


def name(connection: sqlite3.Connection, place: str, content: bytes) -> None:
    """Have numbers for a place and a content, described or not."""
    _add_place_ids(connection, [place])
    connection.execute(_ADD_CONTENT_ID, (content,))


def _add_place_ids(connection: sqlite3.Connection, ids: Iterable[str]) -> None:
    connection.executemany(
        "INSERT INTO place_ids (id) VALUES (?) ON CONFLICT DO NOTHING",
        [(ident,) for ident in ids],
    )


def add_contents(connection: sqlite3.Connection, contents: Iterable[Content], path: str) -> None:
    """Describe contents, or find them described already.

    Raises:
        CatalogError: one is described otherwise in the catalog (``path`` is its file).
    """
    for content in contents:
        name = rows.blake3(content.blake3)
        described = rows.content_row(content)
        connection.execute(_ADD_CONTENT_ID, (name,))
        connection.execute(
            "INSERT INTO contents (no, size, xxh128, block_map) "
            f"VALUES ({_CONTENT_NO}, ?, ?, ?) ON CONFLICT DO NOTHING",
            (name, *described),
        )
        connection.executemany(
            f"INSERT INTO digests (content, kind, value) VALUES ({_CONTENT_NO}, ?, ?)"
            " ON CONFLICT DO NOTHING",
            [(name, kind, value) for kind, value in content.digests.items()],
        )
        stands = connection.execute(
            f"SELECT size, xxh128, block_map FROM contents WHERE no = {_CONTENT_NO}", (name,)
        ).fetchone()
        digests = dict(
            connection.execute(
                f"SELECT kind, value FROM digests WHERE content = {_CONTENT_NO}", (name,)
            )
        )
        if stands != described or not content.digests.items() <= digests.items():
            raise CatalogError(
                f"Two files of one BLAKE3 ({content.blake3}) differ in size or in another digest, "
                f"says the catalog {path}.",
                advice="Nothing was recorded. Suspect the memory of this machine: test it, then "
                "repeat the command.",
            )


def add_facts(connection: sqlite3.Connection, facts: Iterable[Fact]) -> None:
    """Add facts; those that are there already stay as they are."""
    for batch in batches(facts):
        texts = {text for fact in batch for text in rows.fact_words(fact) if text is not None}
        connection.executemany(
            "INSERT INTO words (text) VALUES (?) ON CONFLICT DO NOTHING",
            [(text,) for text in sorted(texts)],
        )
        values = _with_folders(connection, [rows.fact_row(fact) for fact in batch])
        copies = dict.fromkeys(value[-4:] for value in values)  # place, folder, name and content
        _add_place_ids(connection, sorted({fact.place for fact in batch}))
        connection.executemany(_ADD_CONTENT_ID, [copy[-1:] for copy in copies])
        connection.executemany(_ADD_COPY, copies)
        connection.executemany(_ADD_FACT, values)


def _with_folders(connection: sqlite3.Connection, values: Iterable[rows.Row]) -> Sequence[rows.Row]:
    """The same rows with the numbers of their folders, which are added where they are new."""
    numbers: dict[object, int] = {}
    found = []
    for *head, folder, name, content in values:
        number = numbers.get(folder)
        if number is None:
            number = numbers[folder] = _folder_number(connection, folder)
        found.append((*head, number, name, content))
    return found


def _folder_number(connection: sqlite3.Connection, folder: object) -> int:
    asked = "SELECT no FROM folders WHERE path = ?"
    row = connection.execute(asked, (folder,)).fetchone()
    if row is None:
        adding = "INSERT INTO folders (path) VALUES (?) RETURNING no"
        (row,) = connection.execute(adding, (folder,)).fetchall()
    return int(row[0])


def take(connection: sqlite3.Connection, roll: OpenRoll, files: Sequence[RollFile]) -> None:
    """Add files to an open roll, which begins here if it is new. A file taken again is replaced."""
    folder, *_rest = row = rows.open_roll_row(roll)
    connection.execute(
        "INSERT INTO open_rolls (folder, shoot, source, name, begun_at) VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT DO NOTHING",
        row,
    )
    number = connection.execute("SELECT no FROM open_rolls WHERE folder = ?", (folder,)).fetchone()
    _add_files(connection, "open_files", number[0], files)


def _add_files(
    connection: sqlite3.Connection, table: str, roll: int, files: Sequence[RollFile]
) -> None:
    """``table`` is one of our own two names, never a value."""
    for batch in batches(files):
        values = [rows.file_row(file) for file in batch]
        connection.executemany(_ADD_CONTENT_ID, [(value[1],) for value in values])
        connection.executemany(
            f"INSERT INTO {table} (roll, path, content, size, mtime_ns) "
            f"VALUES (?, ?, {_CONTENT_NO}, ?, ?) ON CONFLICT (roll, path) DO UPDATE SET "
            "content = excluded.content, size = excluded.size, mtime_ns = excluded.mtime_ns",
            [(roll, *value) for value in values],
        )


def seal(connection: sqlite3.Connection, roll: Roll) -> None:
    """Add a sealed roll, unless its id is known, and end the open one with its folder."""
    added = connection.execute(_ADD_ROLL, rows.head_row(roll.head)).fetchall()
    if added:
        number = added[0][0]
        _add_files(connection, "roll_files", number, roll.files)
        connection.executemany(
            "INSERT INTO roll_folders (roll, position, path) VALUES (?, ?, ?)",
            [
                (number, position, rows.path_bytes(folder))
                for position, folder in enumerate(roll.folders)
            ],
        )
        connection.executemany(
            "INSERT INTO roll_left_out (roll, position, path, why) VALUES (?, ?, ?, ?)",
            [
                (number, position, rows.path_bytes(path), rows.words(why))
                for position, (path, why) in enumerate(roll.left_out)
            ],
        )
    connection.execute(
        "DELETE FROM open_rolls WHERE folder = ?", (rows.path_bytes(roll.head.folder),)
    )
