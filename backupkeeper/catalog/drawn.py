"""Which files of rolls have their turn to be fetched back (``core.sampling``): drawn once, and kept.

Promises:
1. What is told is what the turn says of the contents that the roll has now: the schema's triggers remove
   it in the transaction that changes a roll's files.
2. Of turns that nobody asks for any more nothing is kept.
"""

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from backupkeeper.catalog import rows
from backupkeeper.catalog.sums import FILES_AT_ONCE
from backupkeeper.core.sampling import Drawn, Turn

_KEPT: Final = "SELECT said FROM drawn WHERE roll = ? AND turn = ?"
_FILES: Final = (
    "SELECT f.path, f.size, k.blake3 FROM roll_files f JOIN content_ids k ON k.no = f.content "
    "WHERE f.roll = ? ORDER BY f.path"
)
_PUT: Final = "INSERT OR REPLACE INTO drawn (roll, turn, said) VALUES (?, ?, ?)"
_TURNS: Final = "SELECT DISTINCT turn FROM drawn"
_FORGET: Final = "DELETE FROM drawn WHERE turn = ?"


def read(
    connection: sqlite3.Connection, rolls: Iterable[int], turns: Sequence[Turn]
) -> dict[int, tuple[Drawn, ...]]:
    """What is kept, of rolls (by number) of which all these turns are."""
    found: dict[int, tuple[Drawn, ...]] = {}
    for roll in rolls:
        said = [connection.execute(_KEPT, (roll, one.name)).fetchone() for one in turns]
        try:
            found[roll] = tuple(drawn for row in said for drawn in _from(row[0]))
        except (ValueError, TypeError, LookupError):  # not there, or nothing that was put there
            continue
    return found


def draw_some(
    connection: sqlite3.Connection, rolls: Sequence[int], turns: Sequence[Turn]
) -> dict[int, tuple[Drawn, ...]]:
    """Draw for the first of these rolls, as many as are quickly done; inside a transaction that writes."""
    known = {one.name for one in turns}
    for (name,) in connection.execute(_TURNS).fetchall():
        if name not in known:
            connection.execute(_FORGET, (name,))
    found: dict[int, tuple[Drawn, ...]] = {}
    files = 0
    for roll in rolls:
        if files > FILES_AT_ONCE:
            break
        files += _put(connection, roll, turns)
        found |= read(connection, [roll], turns)
    return found


def draw(
    connection: sqlite3.Connection, rolls: Iterable[int], turns: Sequence[Turn]
) -> dict[int, tuple[Drawn, ...]]:
    """Draw without keeping it."""
    return {
        roll: tuple(one for told in _drawn(connection, roll, turns).values() for one in told)
        for roll in rolls
    }


def _put(connection: sqlite3.Connection, roll: int, turns: Sequence[Turn]) -> int:
    """Keep what a roll's turns are; how many files it has."""
    told = _drawn(connection, roll, turns)
    connection.executemany(
        _PUT,
        (
            (
                roll,
                name,
                json.dumps(
                    [
                        (rows.path_bytes(one.path).hex(), one.size_bytes, rows.micros(one.moment))
                        for one in drawn
                    ]
                ),
            )
            for name, drawn in told.items()
        ),
    )
    (files,) = connection.execute(
        "SELECT count(*) FROM roll_files WHERE roll = ?", (roll,)
    ).fetchone()
    return int(files)


def _drawn(
    connection: sqlite3.Connection, roll: int, turns: Sequence[Turn]
) -> Mapping[str, list[Drawn]]:
    told: dict[str, list[Drawn]] = {one.name: [] for one in turns}
    for path, size, raw in connection.execute(_FILES, (roll,)).fetchall():
        content = rows.name_from(raw)
        for one in turns:
            moment = one.moment(content)
            if moment is not None:
                told[one.name].append(
                    Drawn(path=rows.path_from(path), size_bytes=size, moment=moment)
                )
    return told


def _from(said: str) -> Iterable[Drawn]:
    return [
        Drawn(path=rows.path_from(bytes.fromhex(path)), size_bytes=size, moment=rows.moment(at))
        for path, size, at in json.loads(said)
    ]
