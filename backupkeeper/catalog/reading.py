"""Getting facts out of the catalog: the questions that take more than one statement.

Promises:
1. Facts stream: memory stays constant however many there are, and no statement stays open between
   two of them, so the reader may record while it reads. It is told of the copies that were there
   when it began; a fact recorded meanwhile may or may not be among the rest.
2. The sieve (``SIEVE``) names every roll that core could find wanting, and maybe more.
"""

# ruff: noqa: S608 - statements are put together from constants only; every value is bound

import sqlite3
from array import array
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any, Final

from backupkeeper.catalog import rows
from backupkeeper.catalog.standings import COUNTS_FROM
from backupkeeper.catalog.writing import batches
from backupkeeper.core.model import Blake3, Fact, RollId
from backupkeeper.core.scrub import Load

_AT_ONCE: Final = 100
"""Values in one IN list, so that the facts of as many copies fit in memory; well under SQLite's bound (999 before 3.32, https://sqlite.org/limits.html)."""
MARKS: Final = ",".join("?" * _AT_ONCE)
"""Question marks for as many values as are asked for at once."""

WHOLE_PATH: Final = "CAST(d.path || c.name AS BLOB)"
"""Of a copy ``c`` in the folder ``d``."""
IN_ROLL: Final = (
    "d.path >= CAST(r.folder || '/' AS BLOB) AND d.path < CAST(r.folder || '0' AS BLOB)"
)
"""That the folder ``d`` is that of the roll ``r``, or lies below it ("0" comes right after "/")."""
_EVER: Final = -(2**63)
_FACTS: Final = f"""
SELECT p.id, {WHOLE_PATH}, k.blake3, f.at, f.way, f.result, f.cold,
       e.text, v.text, m.text, n.text, f.damage
FROM copies c
CROSS JOIN facts f ON f.copy = c.no
CROSS JOIN folders d ON d.no = c.folder
CROSS JOIN place_ids p ON p.no = c.place
CROSS JOIN content_ids k ON k.no = c.content
CROSS JOIN words e ON e.no = f.evidence
CROSS JOIN words v ON v.no = f.version
CROSS JOIN words m ON m.no = f.mount
CROSS JOIN words n ON n.no = f.note
WHERE c.no IN ({MARKS}) AND f.at >= {{since}}
"""

_NOT_UNDONE: Final = """
NOT EXISTS (
    SELECT 1 FROM facts a WHERE a.copy = f.copy AND a.at >= f.at AND (
        a.result <> 1                                   -- found bad, now or later
        OR (a.way = 1 AND a.at > f.at)                  -- written anew
        OR (a.way <> 1 AND a.version <> f.version)      -- another version was seen
        OR a.at > :latest                               -- a clock was wrong: no age is known
        {also}
    )
)
"""

# Numbers of ways and results: the schema's tables of these names. A copy is plain where it has
# a proof since then that nothing undid, or an attestation of any age, not undone, that was looked
# at since then. A roll is named unless each of its files has a copy in the roll's own folder here and
# all of these are plain: two rolls may share a sidecar, and each keeps it.
SIEVE: Final = f"""
SELECT r.id FROM rolls r
WHERE NOT EXISTS (SELECT 1 FROM roll_files rf WHERE rf.roll = r.no)
   OR (
    SELECT COALESCE(sum((
        SELECT count(DISTINCT c.name) FROM copies c WHERE c.place = :place AND c.folder = d.no
    )), 0) FROM folders d WHERE {IN_ROLL}
   ) < r.file_count
   OR EXISTS (
    SELECT 1 FROM roll_files rf
    -- By content: by its path's range each file would walk the whole folder of its roll.
    LEFT JOIN copies c INDEXED BY copies_by_content
      ON c.content = rf.content AND c.place = :place
      AND EXISTS (SELECT 1 FROM folders d WHERE d.no = c.folder AND {IN_ROLL})
    WHERE rf.roll = r.no AND (
        c.no IS NULL
        OR NOT (
            EXISTS (
                SELECT 1 FROM facts f
                WHERE f.copy = c.no AND f.at BETWEEN :since AND :latest AND f.result = 1
                  AND f.at >= :counts_from
                  AND (f.way IN (4, 5) OR (f.way IN (2, 3) AND f.cold = 1))
                  AND {_NOT_UNDONE.format(also="")}
            )
            OR EXISTS (
                SELECT 1 FROM facts l CROSS JOIN facts f
                WHERE l.copy = c.no AND l.at BETWEEN :since AND :latest
                  AND l.way = 6 AND l.result = 1
                  AND f.copy = l.copy AND f.version = l.version
                  AND f.way = 4 AND f.result = 1 AND f.at >= :counts_from
                  AND {_NOT_UNDONE.format(also="OR a.way IN (2, 3, 5)")}
            )
        )
    )
)
"""
"""Takes ``place`` (its number, or None), ``since``, ``latest`` and ``counts_from`` (microseconds)."""


HARMED: Final = """
SELECT DISTINCT r.id FROM facts f INDEXED BY harm
CROSS JOIN copies c ON c.no = f.copy
CROSS JOIN roll_files rf ON rf.content = c.content
CROSS JOIN rolls r ON r.no = rf.roll
WHERE f.result IN (2, 5, 6, 7) AND f.at >= ?
"""
"""Sealed rolls with a file of which a copy was found damaged since then."""
PROOF_AGES: Final = f"""
SELECT (newest.at / :step + 1) * :step AS until, sum(k.size), count(*)
FROM (
    SELECT c.no AS copy, c.content AS content, max(f.at) AS at
    FROM copies c JOIN facts f ON f.copy = c.no
    WHERE c.place = (SELECT no FROM place_ids WHERE id = :place)
      AND f.result = 1 AND f.way IN (2, 3) AND f.cold = 1
      AND f.at >= COALESCE(({COUNTS_FROM.format(id=":place")}), f.at)
    GROUP BY c.no
) newest JOIN contents k ON k.no = newest.content
WHERE NOT EXISTS (
    SELECT 1 FROM facts bad WHERE bad.copy = newest.copy AND bad.result <> 1 AND bad.at >= newest.at
)
GROUP BY until ORDER BY until
"""
"""When copies on a drive that are not known to be bad were last proven: the end of each step of time,
bytes and number of them."""
AGE_STEP: Final = 300_000_000
"""Five minutes in microseconds: with hours a large offload would be a few large shares (tried)."""

HOLDINGS: Final = """
SELECT h.copies - gone.copies, h.bytes - gone.bytes
FROM held h CROSS JOIN (
    SELECT count(*) AS copies, COALESCE(sum(k.size), 0) AS bytes
    FROM (
        SELECT DISTINCT m.copy AS no FROM facts m INDEXED BY misses WHERE m.result = 4
          AND NOT EXISTS (
            SELECT 1 FROM facts l WHERE l.copy = m.copy AND l.at > m.at AND l.result <> 4
        )
    ) missed CROSS JOIN copies c ON c.no = missed.no LEFT JOIN contents k ON k.no = c.content
    WHERE c.place = (SELECT no FROM place_ids WHERE id = :place)
) gone
WHERE h.place = (SELECT no FROM place_ids WHERE id = :place)
"""
"""Copies, and their bytes, but for those that were found missing and not seen since."""
UNSENT: Final = f"""
SELECT rf.path, k.blake3, rf.size, rf.mtime_ns
FROM rolls r CROSS JOIN roll_files rf ON rf.roll = r.no
CROSS JOIN content_ids k ON k.no = rf.content
WHERE r.id = :roll AND (CAST(r.folder || '/' || rf.path AS BLOB), rf.content) NOT IN (
    SELECT {WHOLE_PATH}, c.content
    FROM rolls r CROSS JOIN folders d ON {IN_ROLL}
    CROSS JOIN copies c ON c.folder = d.no
    WHERE r.id = :roll AND c.place = (SELECT no FROM place_ids WHERE id = :place)
      AND NOT EXISTS (
        SELECT 1 FROM facts m INDEXED BY misses WHERE m.copy = c.no AND m.result = 4
    )
)
"""
"""A roll's files of which a place has no copy at the file's own path that was never missed."""
DIGESTS: Final = (
    "SELECT k.blake3, d.kind, d.value FROM content_ids k JOIN digests d ON d.content = k.no "
    f"WHERE k.blake3 IN ({MARKS})"
)
CONTENTS: Final = (
    "SELECT k.blake3, c.size, c.xxh128, c.block_map FROM content_ids k JOIN contents c USING (no) "
    f"WHERE k.blake3 IN ({MARKS})"
)
SEALED: Final = (
    f"SELECT k.blake3 FROM content_ids k WHERE k.blake3 IN ({MARKS}) "
    "AND EXISTS (SELECT 1 FROM roll_files f WHERE f.content = k.no)"
)

HOMES: Final = (
    "SELECT k.blake3, r.folder, f.path FROM content_ids k JOIN roll_files f ON f.content = k.no "
    f"JOIN rolls r ON r.no = f.roll WHERE k.blake3 IN ({MARKS})"
)
LIKE: Final = "SELECT k.blake3 FROM contents c JOIN content_ids k USING (no) WHERE c.size = ? AND c.xxh128 = ?"

ROLLS_WITH: Final = (
    "SELECT DISTINCT r.id FROM content_ids k JOIN roll_files f ON f.content = k.no "
    f"JOIN rolls r ON r.no = f.roll WHERE k.blake3 IN ({MARKS})"
)


def asked(
    connection: sqlite3.Connection, statement: str, values: Iterable[object]
) -> Iterator[Any]:  # rows of whatever columns the statement names
    """Rows of a statement that holds ``MARKS``, for any number of values."""
    for batch in batches(values, _AT_ONCE):
        # Filled up with the last one: the same statement serves every length.
        filled = [*batch, *[batch[-1]] * (_AT_ONCE - len(batch))]
        yield from connection.execute(statement, filled).fetchall()


def copies_of(connection: sqlite3.Connection, names: Iterable[Blake3]) -> "array[int]":
    """Numbers of all copies of these contents, each once."""
    found = asked(
        connection,
        "SELECT c.no FROM copies c JOIN content_ids k ON k.no = c.content "
        f"WHERE k.blake3 IN ({MARKS})",
        (rows.blake3(name) for name in dict.fromkeys(names)),
    )
    return _numbers(found)


def copies_in_roll(connection: sqlite3.Connection, roll: str) -> "array[int]":
    """Numbers of all copies of the contents of a sealed roll, each once."""
    return _numbers(
        connection.execute(
            "SELECT DISTINCT c.no FROM rolls r JOIN roll_files rf ON rf.roll = r.no "
            "JOIN copies c ON c.content = rf.content WHERE r.id = ?",
            (roll,),
        )
    )


def copies_below(connection: sqlite3.Connection, place: str, below: str) -> "array[int]":
    """Numbers of the copies at a place whose path is ``below`` or lies below it; all for ``""``."""
    top = rows.path_bytes(below).rstrip(b"/")
    here = "c.place = (SELECT no FROM place_ids WHERE id = ?)"
    if not top:
        return _numbers(connection.execute(f"SELECT c.no FROM copies c WHERE {here}", (place,)))
    among = "SELECT c.no FROM folders d CROSS JOIN copies c ON c.folder = d.no"
    file = f"{among} WHERE {here} AND d.path = ? AND c.name = ?"
    found = _numbers(connection.execute(file, (place, *rows.in_folder(top))))
    # "0" comes right after "/": everything that begins with the folder and a slash.
    rest = f"{among} WHERE {here} AND d.path >= ? AND d.path < ?"
    found.extend(_numbers(connection.execute(rest, (place, top + b"/", top + b"0"))))
    return found


def copies_harmed(connection: sqlite3.Connection, place: str, since: datetime) -> "array[int]":
    """Numbers of the copies at a place that were found damaged since then."""
    return _numbers(
        connection.execute(
            "SELECT DISTINCT f.copy FROM facts f INDEXED BY harm CROSS JOIN copies c ON c.no = f.copy "
            "WHERE f.result IN (2, 5, 6, 7) AND f.at >= ? "
            "AND c.place = (SELECT no FROM place_ids WHERE id = ?)",
            (rows.micros(since), place),
        )
    )


def not_plainly_proven(
    connection: sqlite3.Connection, place: str, since: datetime, now: datetime
) -> frozenset[RollId]:
    """Rolls that the sieve names."""
    number = connection.execute("SELECT no FROM place_ids WHERE id = ?", (place,)).fetchone()
    counted = f"SELECT ({COUNTS_FROM.format(id='?')})"
    (counts_from,) = connection.execute(counted, (place,)).fetchone()
    values = {
        "counts_from": _EVER if counts_from is None else counts_from,
        "place": None if number is None else number[0],
        "since": rows.micros(since),
        # What is dated after now is core's to judge: damage may outdate such a proof.
        "latest": rows.micros(now),
    }
    return frozenset(RollId(ident) for (ident,) in connection.execute(SIEVE, values))


def rolls_harmed(connection: sqlite3.Connection, since: datetime) -> frozenset[RollId]:
    """Sealed rolls with a file of which any copy was found damaged since then."""
    found = connection.execute(HARMED, (rows.micros(since),))
    return frozenset(RollId(ident) for (ident,) in found)


def holdings(connection: sqlite3.Connection, place: str) -> tuple[int, int]:
    """Copies, and bytes, that the newest facts show at a place."""
    found = connection.execute(HOLDINGS, {"place": place}).fetchone()
    return (0, 0) if found is None else (found[0], found[1])


def proof_ages(connection: sqlite3.Connection, place: str) -> tuple[Load, ...]:
    """When copies on a drive were last proven; of each five minutes their end."""
    found = connection.execute(PROOF_AGES, {"place": place, "step": AGE_STEP})
    return tuple(
        Load(at=rows.moment(at), size_bytes=size_bytes, files=files)
        for at, size_bytes, files in found
    )


def _numbers(found: Iterable[tuple[int]]) -> "array[int]":
    return array("q", (number for (number,) in found))


def facts_about(
    connection: sqlite3.Connection, copies: Iterable[int], since: datetime | None = None
) -> Iterator[Fact]:
    """Every fact about these copies (since then)."""
    first = _EVER if since is None else rows.micros(since)
    for row in asked(connection, _FACTS.format(since=first), copies):
        yield rows.fact_from(row)
