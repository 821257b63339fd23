"""Letting facts go as ``core.thinning`` says, a few copies at a time.

Promises:
1. Each step is one durable transaction of its own: a kill at any moment leaves a right catalog, and
   beginning anew goes on where it was, for what went is not met again. It is decided before the lock of
   writers is taken, which is held for a fraction of a second.
2. Nothing goes but what the rule names, looked at with every fact of all copies of its path; under the lock
   it is seen that these are all still, and decided anew where they are not.
3. Sums (``catalog.sums``) stay, stamps and all: they follow from the first and the latest of each date,
   and these stay.
4. What went is counted (table ``thinned``), in the same transaction.

The file does not shrink: SQLite uses the room again (https://sqlite.org/pragma.html#pragma_freelist_count).
"""

# ruff: noqa: S608 - statements are put together from constants only; every value is bound

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from typing import Final

from backupkeeper.catalog import rows
from backupkeeper.catalog.reading import MARKS, WHOLE_PATH, asked
from backupkeeper.core.model import Fact, Result
from backupkeeper.core.thinning import AGAIN, KEPT_WHOLE, spare
from backupkeeper.ports.catalog import Thinned

Key = tuple[int, int, int, int, int, int, int, int, int, bytes]
"""Of a fact: every column of its row."""
Path = tuple[int, int, bytes]
"""A place's number, a folder's, a name."""
Connecting = Callable[[], AbstractContextManager[sqlite3.Connection]]
COPIES_LOOKED_AT: Final = 2000
"""At once, without a lock, for those that something may be let go of."""
FACTS_AT_ONCE: Final = 5000
"""About so many are decided on at once, and go in one transaction."""
_NAMES: Final = (
    *("copy", "at", "way", "result", "cold", "evidence", "version", "mount", "note", "damage"),
)
_KEY: Final = ", ".join(_NAMES)
_NEXT: Final = """
SELECT place, folder, name, no FROM copies WHERE (place, folder, name) > (?, ?, ?)
ORDER BY place, folder, name LIMIT ?
"""
_SAME_PATH: Final = (
    "SELECT place, folder, name, no FROM copies WHERE (place, folder, name) = (?, ?, ?)"
)
_AGAIN: Final = ", ".join(str(number) for number, way in rows.WAYS.items() if way in AGAIN)
_MATCHES: Final = next(number for number, one in rows.RESULTS.items() if one is Result.MATCHES)
# A quick sieve: only a copy with three such facts has one between two others.
_OFTEN: Final = f"""
SELECT copy, sum(facts) FROM (
    SELECT copy, count(*) AS facts FROM facts
    WHERE copy IN ({MARKS}) AND at < {{edge}} AND result = {_MATCHES} AND way IN ({_AGAIN})
    GROUP BY copy, way, cold, evidence, version, note, damage HAVING count(DISTINCT at) > 2
) GROUP BY copy
"""
"""Copies, and how many such facts they have."""
_FACTS: Final = f"""
SELECT {", ".join(f"f.{name}" for name in _NAMES)}, p.id, {WHOLE_PATH}, k.blake3, e.text, v.text, m.text, n.text
FROM copies c
CROSS JOIN facts f ON f.copy = c.no
CROSS JOIN folders d ON d.no = c.folder
CROSS JOIN place_ids p ON p.no = c.place
CROSS JOIN content_ids k ON k.no = c.content
CROSS JOIN words e ON e.no = f.evidence
CROSS JOIN words v ON v.no = f.version
CROSS JOIN words m ON m.no = f.mount
CROSS JOIN words n ON n.no = f.note
WHERE c.no IN ({MARKS})
"""
_KEYS: Final = f"SELECT {_KEY} FROM facts WHERE copy IN ({MARKS}) ORDER BY {_KEY}"
_GO: Final = f"DELETE FROM facts WHERE ({_KEY}) = ({', '.join('?' * len(_NAMES))})"
_SUMS: Final = f"""
SELECT s.roll, s.stamp, s.said FROM sums s WHERE s.roll IN (
    SELECT f.roll FROM copies c JOIN roll_files f ON f.content = c.content WHERE c.no IN ({MARKS})
)
"""
_PUT_SUMS_BACK: Final = "INSERT OR REPLACE INTO sums (roll, stamp, said) VALUES (?, ?, ?)"


def thin(asking: Connecting, writing: Connecting, now: datetime) -> Iterator[Thinned]:
    """Let go what may go, step by step; between two steps others may write.

    Args:
        asking: hands out the catalog's connection for one question.
        writing: hands it out for one durable step.
        now: the present time.
    """
    edge = rows.micros(now - KEPT_WHOLE)
    path: Path = (0, 0, b"")
    while True:
        with asking() as connection:
            found = _next_copies(connection, path)
            numbers = (number for _, number in found)
            often = dict(asked(connection, _OFTEN.format(edge=edge), numbers))
        if not found:
            return
        path, _ = found[-1]
        yield Thinned(copies=len(found), facts=0)
        for some in _portions(found, often):
            with asking() as connection:
                known = _keys(connection, some)
                gone = _spare(connection, known, now)
            if not gone:
                continue
            with writing() as connection:
                there = _keys(connection, some)
                if there != known:  # something was recorded meanwhile
                    gone = _spare(connection, there, now)
                _let_go(connection, gone)
            yield Thinned(copies=0, facts=len(gone))


def _next_copies(connection: sqlite3.Connection, path: Path) -> list[tuple[Path, int]]:
    """The next copies after a path, of the last path all; none: there are no more."""
    found = _copies(connection, _NEXT, (*path, COPIES_LOOKED_AT))
    if len(found) < COPIES_LOOKED_AT:
        return found
    last, _ = found[-1]
    return [*(one for one in found if one[0] != last), *_copies(connection, _SAME_PATH, last)]


def _copies(
    connection: sqlite3.Connection, statement: str, values: Sequence[object]
) -> list[tuple[Path, int]]:
    found = connection.execute(statement, values).fetchall()
    return [((place, folder, name), number) for place, folder, name, number in found]


def _portions(copies: Iterable[tuple[Path, int]], often: Mapping[int, int]) -> Iterator[list[Path]]:
    """The paths of those copies that something may be let go of, some at a time."""
    some: dict[Path, None] = {}
    facts = 0
    for path, number in copies:
        if number not in often:
            continue
        if facts + often[number] > FACTS_AT_ONCE and path not in some and some:
            yield list(some)
            some, facts = {}, 0
        some[path] = None
        facts += often[number]
    if some:
        yield list(some)


def _keys(connection: sqlite3.Connection, paths: Iterable[Path]) -> list[Key]:
    """The keys of all facts about all copies of these paths."""
    copies = (copy for path in paths for _, copy in _copies(connection, _SAME_PATH, path))
    return list(asked(connection, _KEYS, copies))


def _spare(connection: sqlite3.Connection, keys: Sequence[Key], now: datetime) -> list[Key]:
    """Those that may go."""
    copies = dict.fromkeys(key[0] for key in keys)
    known = {_fact(row): row[: len(_NAMES)] for row in asked(connection, _FACTS, copies)}
    return [known[fact] for fact in spare(known, now)]


def _let_go(connection: sqlite3.Connection, gone: Sequence[Key]) -> None:
    """Inside a transaction that writes."""
    sums = _sums(connection, dict.fromkeys(key[0] for key in gone))
    connection.executemany(_GO, gone)
    connection.executemany(_PUT_SUMS_BACK, sums)
    connection.execute("UPDATE thinned SET facts = facts + ?", (len(gone),))


def _fact(row: tuple[object, ...]) -> Fact:
    _copy, at, way, result, cold, *_numbers, damage = row[: len(_NAMES)]
    place, path, name, *texts = row[len(_NAMES) :]
    return rows.fact_from((place, path, name, at, way, result, cold, *texts, damage))  # type: ignore[arg-type] # as the statement names them


def _sums(connection: sqlite3.Connection, copies: Iterable[int]) -> list[tuple[int, int, str]]:
    """What stands of the rolls that these copies belong to: the schema's triggers remove it."""
    return list({row[0]: row for row in asked(connection, _SUMS, copies)}.values())
