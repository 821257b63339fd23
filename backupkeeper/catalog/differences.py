"""What two catalogs say otherwise of one thing, and which of them counts: for a person to read.

Nothing is decided here: facts are united and the newest about a copy counts (``core.policy``), of a
place the last description and the last word. Each function runs on a connection that its caller
holds, with their catalog attached as ``theirs`` and the numbers mapped (``catalog.merge``).
"""

import sqlite3
from collections.abc import Iterator, Mapping
from typing import Final

from backupkeeper.catalog import rows
from backupkeeper.core.model import Result
from backupkeeper.core.rebuilding import Settled

MOST_TOLD: Final = 20
NEWEST_FACT: Final = "the newest fact about a copy counts"
LAST_WORD: Final = "the last description, and the last word on how it stands, count"
_LAST: Final = (
    "SELECT at, result FROM {schema}.facts WHERE copy = ? ORDER BY at DESC, result DESC LIMIT 1"
)
_BOTH: Final = """
SELECT theirs, ours FROM temp.copy_of
WHERE ours IN (SELECT copy FROM main.facts WHERE result IN (2, 5, 6, 7))
   OR ours IN (SELECT copy FROM main.facts WHERE result = 4)
   OR theirs IN (SELECT copy FROM theirs.facts WHERE result IN (2, 5, 6, 7))
   OR theirs IN (SELECT copy FROM theirs.facts WHERE result = 4)
ORDER BY ours
"""
"""Copies of which one of the two knows something bad: few, and found by the partial indices."""
_WHERE: Final = (
    "SELECT coalesce(p.name, CAST(i.id AS BLOB)), CAST(d.path || c.name AS BLOB) "
    "FROM main.copies c JOIN main.folders d ON d.no = c.folder JOIN main.place_ids i ON i.no = c.place LEFT JOIN main.places p ON p.no = c.place "
    "WHERE c.no = ?"
)


def of_copies(connection: sqlite3.Connection) -> Iterator[Settled]:
    """Copies about which the last facts of the two differ, before their facts are united."""
    for theirs, ours in connection.execute(_BOTH).fetchall():
        mine = connection.execute(_LAST.format(schema="main"), (ours,)).fetchone()
        other = connection.execute(_LAST.format(schema="theirs"), (theirs,)).fetchone()
        if mine is None or other is None or mine[1] == other[1]:
            continue
        name, path = connection.execute(_WHERE, (ours,)).fetchone()
        yield Settled(
            what=f"{rows.unwords(name)}: {rows.path_from(path)}",
            ours=_told(mine),
            theirs=_told(other),
            ours_counts=mine > other,
            rule=NEWEST_FACT,
        )


def _told(fact: tuple[int, int]) -> str:
    at, result = fact
    found: Result = rows.RESULTS[result]
    return f"{found.value}, {rows.moment(at):%Y-%m-%d %H:%M} UTC"


def descriptions(connection: sqlite3.Connection) -> Mapping[str, Mapping[str, str]]:
    """How each place is described, ours (``main``) and theirs, by id and then by whose it is.

    Where it is reached is left out: each machine mounts a drive where it likes.
    """
    found: dict[str, dict[str, str]] = {}
    for schema in ("main", "theirs"):
        asked = (
            "SELECT i.id, p.name, p.role, p.standing "  # noqa: S608 - constants
            f"FROM {schema}.places p JOIN {schema}.place_ids i USING (no) ORDER BY i.id"
        )
        for ident, name, role, standing in connection.execute(asked):
            found.setdefault(ident, {})[schema] = f"{rows.unwords(name)}, {role}, {standing}"
    return found


def of_places(
    before: Mapping[str, Mapping[str, str]], after: Mapping[str, Mapping[str, str]]
) -> Iterator[Settled]:
    """Places that the two described otherwise, and whose word stands in the catalog now."""
    for ident, told in before.items():
        ours, theirs = told.get("main"), told.get("theirs")
        if ours is None or theirs is None or ours == theirs:
            continue
        name = after[ident]["main"].rsplit(", ", 2)[0]
        yield Settled(
            what=f"Place {name}",
            ours=ours,
            theirs=theirs,
            ours_counts=after[ident]["main"] == ours,
            rule=LAST_WORD,
        )
