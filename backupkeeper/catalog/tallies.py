"""Counting over all copies at once, for the overview: one statement, one walk over the facts.

Promises:
1. Nothing is loaded but counts: memory stays constant however many facts there are.
2. A proof counts only as far as nothing undid it: nothing bad at or after it, not written anew, no
   other version seen, not dated after now, nor made before its place was lost and came back.
"""

# ruff: noqa: S608 - statements are put together from constants only; every value is bound

import sqlite3
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.catalog import rows
from backupkeeper.catalog.standings import COUNTS_FROM
from backupkeeper.core.model import Blake3, PlaceId
from backupkeeper.core.standing import AgeTally, PlaceTally, Tallies

# Numbers of ways and results: the schema's tables of these names.
_PROOF: Final = "f.result = 1 AND (f.way IN (4, 5) OR (f.way IN (2, 3) AND f.cold = 1))"
_MARKS: Final = f"""
SELECT c.no AS copy, c.place AS place, c.content AS content,
    max(CASE WHEN {_PROOF} AND f.at <= :now THEN f.at END) AS proof,
    max(f.result <> 1) AS odd,
    max(CASE WHEN f.way = 1 THEN f.at END) AS written,
    min(CASE WHEN f.way <> 1 AND f.result = 1 THEN f.version END)
        IS NOT max(CASE WHEN f.way <> 1 AND f.result = 1 THEN f.version END) AS mixed,
    max(f.way = 5 AND f.result = 1) AS fetched
FROM copies c CROSS JOIN facts f ON f.copy = c.no
GROUP BY c.no
"""
# What is asked of few copies only is asked of those alone: each column above costs a tenth of a
# second for 600,000 facts.
_BAD: Final = """
EXISTS (SELECT 1 FROM facts a WHERE a.copy = m.copy AND a.at >= m.proof AND a.result <> 1)
"""
_GONE: Final = """
EXISTS (
    SELECT 1 FROM facts g WHERE g.copy = m.copy AND g.result = 4 AND NOT EXISTS (
        SELECT 1 FROM facts l WHERE l.copy = m.copy AND l.at > g.at AND l.result <> 4
    )
)
"""
_CHANGED: Final = "EXISTS (SELECT 1 FROM facts a WHERE a.copy = m.copy AND a.result = 3)"
_ANOTHER: Final = """
EXISTS (
    SELECT 1 FROM facts a WHERE a.copy = m.copy AND a.at >= m.proof AND a.way <> 1 AND a.result = 1
    AND a.version NOT IN (
        SELECT f.version FROM facts f WHERE f.copy = m.copy AND f.at = m.proof AND f.result = 1
    )
)
"""
MOST_EDGES: Final = 8
_NEVER: Final = 2**62
_BIN: Final = " + ".join(f"(:now - h.proof >= :edge{number})" for number in range(MOST_EDGES))
TALLIES: Final = f"""
WITH m AS MATERIALIZED ({_MARKS}), back AS MATERIALIZED (
    SELECT i.no AS no, ({COUNTS_FROM.format(id="i.id")}) AS counts_from FROM place_ids i
), held AS MATERIALIZED (
    SELECT m.place, m.content, m.fetched, CASE
        WHEN m.proof >= COALESCE(m.written, m.proof) AND NOT (m.odd AND {_BAD})
            AND NOT (m.mixed AND {_ANOTHER})
            AND m.proof >= COALESCE(b.counts_from, m.proof) THEN m.proof
    END AS proof
    FROM m CROSS JOIN back b ON b.no = m.place WHERE NOT (m.odd AND {_GONE})
)
SELECT 'age', i.id, CASE
        WHEN h.proof IS NULL THEN NULL
        ELSE {_BIN}
    END AS bin, count(*), COALESCE(sum(k.size), 0), max(h.proof), min(h.proof), sum(h.fetched)
FROM held h JOIN place_ids i ON i.no = h.place LEFT JOIN contents k ON k.no = h.content
GROUP BY h.place, bin
UNION ALL
SELECT 'missing', i.id, NULL, count(*), NULL, NULL, NULL, NULL
FROM (
    -- What lies there under another name is not missing.
    SELECT place, content FROM m WHERE m.odd AND {_GONE} EXCEPT SELECT place, content FROM held
) g JOIN place_ids i ON i.no = g.place GROUP BY g.place
UNION ALL
SELECT 'changed', lower(hex(i.blake3)), NULL, NULL, NULL, NULL, NULL, NULL
FROM m JOIN content_ids i ON i.no = m.content WHERE m.odd AND {_CHANGED}
"""
"""Takes ``now`` and ``edge0`` to ``edge7``, all in microseconds."""


def tallies(connection: sqlite3.Connection, now: datetime, edges: Sequence[timedelta]) -> Tallies:
    """Everything that is counted copy by copy.

    Args:
        connection: the catalog's.
        now: the present time.
        edges: ages at which one bin ends and the next begins, rising; at most ``MOST_EDGES``.
    """
    microsecond = timedelta(microseconds=1)
    values = {"now": rows.micros(now)}
    ends = [edge // microsecond for edge in edges] + [_NEVER] * (MOST_EDGES - len(edges))
    values |= {f"edge{number}": end for number, end in enumerate(ends)}
    places: dict[PlaceId, PlaceTally] = {}
    ages: list[AgeTally] = []
    changed: set[Blake3] = set()
    missing: dict[PlaceId, int] = {}
    for kind, name, number, files, size, last, oldest, fetched in connection.execute(
        TALLIES, values
    ):
        if kind == "age":
            place = PlaceId(name)
            ages.append(AgeTally(place=place, bin=number, files=files, size_bytes=size))
            found = PlaceTally(
                last_proven=_maybe(last), oldest_proof=_maybe(oldest), fetched_files=fetched
            )
            places[place] = _joined(places.get(place, PlaceTally()), found)
        elif kind == "missing":
            missing[PlaceId(name)] = files
        else:
            changed.add(Blake3(name))
    return Tallies(
        places=places,
        ages=tuple(ages),
        changed=frozenset(changed),
        missing=missing,
    )


def _joined(one: PlaceTally, other: PlaceTally) -> PlaceTally:
    """Of two bins of one place."""
    newest = [at for at in (one.last_proven, other.last_proven) if at is not None]
    oldest = [at for at in (one.oldest_proof, other.oldest_proof) if at is not None]
    return PlaceTally(
        last_proven=max(newest, default=None),
        oldest_proof=min(oldest, default=None),
        fetched_files=one.fetched_files + other.fetched_files,
    )


def _maybe(at: int | None) -> datetime | None:
    return None if at is None else rows.moment(at)
