"""Objects that stand encrypted: recorded before they are sent, asked for by path and by key.

A bucket is used by several threads, the catalog by one: so buckets ask through a connection of their
own (``shared``), one question at a time.
"""

import sqlite3
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any, Final

from backupkeeper.catalog import rows
from backupkeeper.catalog.connected import Connected
from backupkeeper.catalog.faults import told
from backupkeeper.core.age import Encrypted
from backupkeeper.core.model import Content, PlaceId
from backupkeeper.ports.clock import Clock

PAGE: Final = 500
_ADD: Final = """
INSERT INTO encrypted (place, path, content, key, made_blake3, at, size, recipients, made_size,
    made_xxh128, made_map)
VALUES ((SELECT no FROM place_ids WHERE id = ?), ?,
    (SELECT no FROM content_ids WHERE blake3 = ?), ?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (place, path, content, key, made_blake3) DO UPDATE SET at = max(at, excluded.at)
"""
_SELECT: Final = """
SELECT p.id, e.path, k.blake3, e.key, e.made_blake3, e.at, e.size, e.recipients, e.made_size,
    e.made_xxh128, e.made_map
FROM encrypted e JOIN place_ids p ON p.no = e.place JOIN content_ids k ON k.no = e.content
WHERE p.id = ? AND
"""
_BELOW: Final = (
    f"{_SELECT.replace('SELECT p.id', 'SELECT e.no, p.id')} (e.path, e.no) > (?, ?) "
    f"AND (? IS NULL OR e.path < ?) ORDER BY e.path, e.no LIMIT {PAGE}"
)
_READABLE: Final = """
SELECT count(*), coalesce(sum(k.size), 0) FROM (
    SELECT c.content AS content FROM copies c JOIN folders d ON d.no = c.folder
    WHERE c.place = (SELECT no FROM place_ids WHERE id = :place)
      AND NOT EXISTS (
        SELECT 1 FROM encrypted e
        WHERE e.place = c.place AND e.path = CAST(d.path || c.name AS BLOB)
          AND e.content = c.content
      )
      AND NOT EXISTS (
        SELECT 1 FROM facts f INDEXED BY misses WHERE f.copy = c.no AND f.result = 4
          AND NOT EXISTS (
            SELECT 1 FROM facts l WHERE l.copy = c.no AND l.result <> 4 AND l.at >= f.at
          )
      )
) there LEFT JOIN contents k ON k.no = there.content
"""


class EncryptedObjects(Connected):
    """The part of ``ports.catalog.Catalog`` that knows of encrypted objects."""

    def put_encrypted(self, found: Iterable[Encrypted]) -> None:
        """Remember, durably, how files stand encrypted at a place; known ones are no error."""
        with self._writing() as connection:
            for one in found:
                name = rows.blake3(one.content)
                connection.execute(
                    "INSERT INTO place_ids (id) VALUES (?) ON CONFLICT DO NOTHING", (one.place,)
                )
                connection.execute(
                    "INSERT INTO content_ids (blake3) VALUES (?) ON CONFLICT DO NOTHING", (name,)
                )
                size, xxh128, block_map = rows.content_row(one.made)
                connection.execute(
                    _ADD,
                    (
                        one.place, rows.path_bytes(one.path), name, rows.path_bytes(one.key),
                        rows.blake3(one.made.blake3), rows.micros(one.at), one.size,
                        rows.words("\n".join(one.recipients)), size, xxh128, block_map,
                    ),
                )  # fmt: skip

    def encrypted_at(self, place: PlaceId, path: str) -> tuple[Encrypted, ...]:
        """How a file stands encrypted at a place, the latest first; nothing: not encrypted by us."""
        return self._encrypted("e.path = ?", place, path)

    def encrypted_as(self, place: PlaceId, key: str) -> tuple[Encrypted, ...]:
        """What stands encrypted under a key, the latest first."""
        return self._encrypted("e.key = ?", place, key)

    def encrypted_below(self, place: PlaceId, start: str) -> Iterator[Encrypted]:
        """All whose path starts with a text, by path, page by page."""
        low = rows.path_bytes(start)
        head = low.rstrip(b"\xff")
        high = head[:-1] + bytes([head[-1] + 1]) if head else None
        path, number = low, -1
        while True:
            with self._asking() as connection:
                page = connection.execute(_BELOW, (place, path, number, high, high)).fetchall()
            for row in page:
                yield _from(row[1:])
            if len(page) < PAGE:
                return
            number, path = page[-1][0], page[-1][2]

    def has_encrypted(self, place: PlaceId) -> bool:
        """Whether anything was ever sent encrypted to a place."""
        with self._asking() as connection:
            statement = "SELECT 1 FROM encrypted WHERE place = (SELECT no FROM place_ids WHERE id = ?) LIMIT 1"
            return connection.execute(statement, (place,)).fetchone() is not None

    def readable_at(self, place: PlaceId) -> tuple[int, int]:
        """Files, and bytes, that stand at a place as they are: whoever has access reads them."""
        with self._asking() as connection:
            files, size = connection.execute(_READABLE, {"place": place}).fetchone()
            return files, size

    def _encrypted(self, which: str, place: PlaceId, path: str) -> tuple[Encrypted, ...]:
        with self._asking() as connection:
            found = connection.execute(
                f"{_SELECT} {which} ORDER BY e.at DESC, e.made_blake3",
                (place, rows.path_bytes(path)),
            ).fetchall()
            return tuple(map(_from, found))


class SharedEncrypted(EncryptedObjects):
    """The same for all threads; made by ``shared``. No transaction is open between two calls."""

    def __init__(self, connection: sqlite3.Connection, path: str, *, clock: Clock) -> None:
        super().__init__(connection, path, clock=clock, checked="by the catalog")
        self._lock = threading.RLock()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """One step, for one thread at a time."""
        with self._lock, super().transaction():
            yield

    @contextmanager
    def _asking(self) -> Iterator[sqlite3.Connection]:
        with self._lock, super()._asking() as connection:
            yield connection

    def _must_be_usable(self) -> None:
        self._thread = threading.get_ident()  # which one it is makes no difference here
        super()._must_be_usable()


def shared(path: str, *, clock: Clock, patience_s: float = 10.0) -> SharedEncrypted:
    """Another connection to a catalog that is open here already (and so was checked).

    Args:
        path: its file.
        clock: the time of day.
        patience_s: how long to wait for another that is writing, in seconds.

    Raises:
        CatalogError: it can't be opened.
    """
    with told(path):
        connection = sqlite3.connect(
            path, timeout=patience_s, isolation_level=None, check_same_thread=False
        )
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
    return SharedEncrypted(connection, path, clock=clock)


def _from(row: tuple[Any, ...]) -> Encrypted:
    place, path, content, key, made, at, size, recipients, made_size, xxh128, block_map = row
    return Encrypted(
        at=rows.moment(at),
        place=PlaceId(place),
        path=rows.path_from(path),
        content=rows.name_from(content),
        size=size,
        key=rows.path_from(key),
        made=_content(made, made_size, xxh128, block_map),
        recipients=tuple(filter(None, rows.unwords(recipients).split("\n"))),
    )


def _content(made: bytes, size: int, xxh128: bytes, block_map: bytes) -> Content:
    return rows.content_from((made, size, xxh128, block_map), {})
