"""A snapshot of the catalog: one consistent, checked, compressed copy of the file.

Promises:
1. It is the catalog of one moment, whatever other programs write meanwhile (SQLite's online backup,
   https://sqlite.org/backup.html), and SQLite's own check found that copy whole.
2. It stands alone: no journal beside it is needed.
3. No letter of the outbox is in it, nor what is left of one; no sums either.
4. Only ``CatalogError`` leaves. The catalog itself is only read.

Example:
    mark = snapshot_mark(path)
    packed = pack(path, f"{path}.snapshot")
"""

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from typing import Final

import zstandard
from blake3 import blake3

from backupkeeper.catalog.faults import damaged, told
from backupkeeper.catalog.opening import SMALL_BYTES
from backupkeeper.core.model import Blake3
from backupkeeper.core.snapshots import SnapshotMark

LEVEL: Final = 6
"""Of compression: about 150 MB/s on one core, a third to a quarter of the size."""
CHUNK_BYTES: Final = 1 << 20
_COUNTED: Final = (
    *("copies", "contents", "digests", "rolls", "roll_files", "open_rolls", "open_files", "facts"),
)
"""Tables of which a row more, or fewer, is something that a snapshot should have. Not names of contents:
where a bucket is encrypted the snapshot itself gets one."""
_DESCRIPTIONS: Final = """
SELECT p.id, name, role, kind, created_at, location, standing, fs_uuid, label, size_bytes, device,
       spins, endpoint, profile
FROM places JOIN place_ids p USING (no) ORDER BY p.id
"""
_OWN: Final = frozenset({"outbox", "sums", "drawn"})
"""Letters are this machine's own, and nobody takes sums, or what was drawn, from another catalog."""
_SAID: Final = "SELECT count(*) FROM events WHERE kind = 'stood'"


@dataclass(frozen=True, kw_only=True, slots=True)
class Packed:
    """A snapshot on the local disk: where, which catalog it is of, its size and digest."""

    path: str
    catalog: str
    size_bytes: int
    blake3: Blake3
    mark: SnapshotMark


def snapshot_mark(path: str) -> SnapshotMark:
    """What tells whether the catalog says more than at another time.

    Counts do: nothing of it is ever changed or removed but facts that ``catalog.thinning`` lets go, and those
    are counted on. So a catalog that was thinned says no less, and calls for no new snapshot; a fact
    that comes back from elsewhere is one more. Events are left out: they tell what the daemon did, and the
    noting of a snapshot is one of them. But what a person said of a place is in it.

    Raises:
        CatalogError: it can't be read.
    """
    with told(path), closing(_reading(path)) as connection:
        return _mark(connection)


def _mark(connection: sqlite3.Connection) -> SnapshotMark:
    connection.execute("BEGIN")  # all of one moment
    (ident,) = connection.execute("SELECT id FROM identity").fetchone()
    state = blake3(str(ident).encode())
    (thinned,) = connection.execute("SELECT facts FROM thinned").fetchone()
    for table in _COUNTED:
        (count,) = connection.execute(
            f"SELECT count(*) FROM {table}"  # noqa: S608 - one of our own names
        ).fetchone()
        count += thinned if table == "facts" else 0
        state.update(f"{table} {count} ".encode())
    for row in (*connection.execute(_DESCRIPTIONS), *connection.execute(_SAID)):
        state.update(repr(row).encode())
    pages, page_bytes = (
        connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size")
    )
    connection.execute("ROLLBACK")
    return SnapshotMark(text=state.hexdigest()[:32], size_bytes=pages * page_bytes)


def catalog_id(path: str) -> str:
    """What this catalog is called in the names of its snapshots.

    Raises:
        CatalogError: it can't be read.
    """
    with told(path), closing(_reading(path)) as connection:
        return str(connection.execute("SELECT id FROM identity").fetchone()[0])


def pack(path: str, beside: str) -> Packed:
    """Take a snapshot into a file on the local disk.

    Args:
        path: the catalog's file.
        beside: where to put it; what an interruption left there is written over. A second file,
            ``<beside>.raw``, stands there meanwhile and is empty afterwards.

    Raises:
        CatalogError: the copy can't be made, or was found damaged.
    """
    raw = f"{beside}.raw"
    with told(path):
        for name in (raw, f"{raw}-journal", f"{raw}-wal"):
            if name == raw or os.path.lexists(name):  # what a kill left must not be taken in
                _empty(name)
        with closing(_reading(path)) as source, closing(sqlite3.connect(raw)) as copy:
            copy.execute("PRAGMA journal_mode = OFF")
            source.backup(copy)
            copy.execute("PRAGMA secure_delete = ON")
            tables = copy.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall()
            for name in _OWN.intersection(name for (name,) in tables):
                copy.execute(f"DELETE FROM {name}")  # noqa: S608 - one of our own names
            copy.commit()
            copy.execute("PRAGMA journal_mode = DELETE")
            size = os.path.getsize(raw)
            how = "integrity_check" if size <= SMALL_BYTES else "quick_check"
            faults = [row[0] for row in copy.execute(f"PRAGMA {how}(3)")]
            if faults != ["ok"]:
                raise damaged(path, "; ".join(faults).replace("\n", " "))
            copy.isolation_level = None
            mark = _mark(copy)
            (ident,) = copy.execute("SELECT id FROM identity").fetchone()
        digest, packed_bytes = _compress(raw, beside, size)
        _empty(raw)
    return Packed(
        path=beside, catalog=str(ident), size_bytes=packed_bytes, blake3=digest, mark=mark
    )


def copy_to(path: str, target: str) -> None:
    """Copy a catalog as it is now into another file on the local disk; what stands there is written over.

    Raises:
        CatalogError: it can't be read or written.
    """
    with told(path):
        _empty(target)
        with closing(_reading(path)) as source, closing(sqlite3.connect(target)) as copy:
            source.backup(copy)


def _reading(path: str) -> sqlite3.Connection:
    # Not read-only: a journal beside it may have to be taken in first.
    os.stat(path)  # one that is not there is not made
    connection = sqlite3.connect(path, timeout=10.0, isolation_level=None)
    connection.execute("PRAGMA query_only = ON")
    return connection


def _empty(path: str) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC
    os.close(os.open(path, flags, 0o600))


def _compress(raw: str, target: str, size: int) -> tuple[Blake3, int]:
    _empty(target)
    state = blake3()
    count = 0
    packer = zstandard.ZstdCompressor(level=LEVEL, write_checksum=True, write_content_size=True)
    with open(raw, "rb", buffering=0) as source, open(target, "r+b", buffering=0) as out:
        for chunk in packer.read_to_iter(source, size=size, read_size=CHUNK_BYTES):
            state.update(chunk)
            left = memoryview(chunk)
            while left:
                left = left[out.write(left) :]
            count += len(chunk)
    return Blake3(state.hexdigest()), count
