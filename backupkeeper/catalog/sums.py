"""Sums of each roll's facts (``core.sums``): made in SQL, kept in a table that may go at any time.

Promises:
1. What is read is what the facts of one moment come to. The schema's triggers remove a roll's sums in the
   transaction that changes what they follow from, so a kill leaves none too many; they are made and put there under the
   lock of writers; where none stand, or can be put there, or what stands can't be read, they are made on the way.
2. They say nothing that follows from policy, now, or what places are.
"""

# ruff: noqa: S608 - statements are put together from constants only; every value is bound

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final, NamedTuple

from backupkeeper.catalog import rows
from backupkeeper.catalog.reading import WHOLE_PATH
from backupkeeper.core.model import PlaceId, RollId
from backupkeeper.core.sums import NEVER, Group, Home, Kind, RollSums, Slot

FILES_AT_ONCE: Final = 20_000
"""So many files are summed up under one lock: a fraction of a second."""
_KIND_COUNT: Final = len(Kind)
_ODD_FILE: Final = 2
_UNKNOWN: Final = Slot(
    PlaceId(""),
    Home.ELSEWHERE,
    Kind.NONE,
    NEVER,
    NEVER,
    NEVER,
    NEVER,
    NEVER,
    NEVER,
    NEVER,
    NEVER,
    NEVER,
)
# Numbers of ways and results: the schema's tables of these names. Every fact is a match where a copy
# is not odd; so a proof is undone only by writing anew (and by what ``core.sums`` applies later).
_PROOF: Final = "f.result = 1 AND (f.way IN (4, 5) OR (f.way IN (2, 3) AND f.cold = 1))"
_COPIES: Final = f"""
SELECT rf.path AS file, rf.size AS size, c.place AS place, {WHOLE_PATH} AS path,
    CASE WHEN {WHOLE_PATH} = CAST(:folder || rf.path AS BLOB) THEN 2
        WHEN d.path >= :folder AND d.path < :behind THEN 1 ELSE 0 END AS home,
    max(f.result <> 1) AS bad,
    max(f.at) AS latest,
    max(CASE WHEN f.way = 1 THEN f.at END) AS written,
    max(CASE WHEN f.way IN (2, 3) AND f.cold = 1 THEN f.at END) AS read,
    max(CASE WHEN f.way = 4 THEN f.at END) AS attested,
    max(CASE WHEN f.way = 5 THEN f.at END) AS fetched,
    max(CASE WHEN f.way = 6 THEN f.at END) AS looked,
    min(CASE WHEN {_PROOF} THEN f.at END) AS first,
    max(f.way IN (2, 3, 7)) AS taken_up,
    min(CASE WHEN f.way <> 1 THEN f.version END) AS version,
    max(CASE WHEN f.way <> 1 THEN f.version END) AS other,
    max(CASE WHEN f.way IN (1, 2, 3) AND f.cold = 0 AND f.mount <> 0 THEN f.at * 2 + (f.way <> 1) END)
        IS max(f.at * 2 + (f.way <> 1)) AND c.no IS NOT NULL AS warm
FROM roll_files rf
LEFT JOIN copies c INDEXED BY copies_by_content ON c.content = rf.content
LEFT JOIN folders d ON d.no = c.folder
LEFT JOIN facts f ON f.copy = c.no
WHERE rf.roll = :roll
GROUP BY rf.path, c.no
"""
# A file whose name a drive may have changed, though a copy stands under it, is not told as in its own path
# (``core.fitting``). Where an object was fetched back after it was attested, the attestation stays what counts, unless
# it was written anew between the two.
_KINDS: Final = f"""
SELECT m.*,
    CASE WHEN home = 2 AND (instr(file, x'257E') OR CAST(file AS TEXT) LIKE 'ascmhl%'
        OR CAST(file AS TEXT) LIKE '%.backupkeeper%') THEN 1 ELSE home END AS stood,
    bad OR version IS NOT other
        OR (taken_up AND (attested IS NOT NULL OR fetched IS NOT NULL)) AS odd,
    CASE
        WHEN COALESCE(read, attested, fetched) IS NULL THEN 0
        WHEN max(COALESCE(read, {NEVER}), COALESCE(attested, {NEVER}), COALESCE(fetched, {NEVER}))
            < COALESCE(written, {NEVER}) THEN 0
        WHEN read IS NOT NULL THEN 1
        WHEN fetched IS NULL OR attested > fetched THEN 2
        WHEN attested IS NULL OR written > attested THEN 3
        ELSE 4
    END AS kind
FROM m
"""
SUMS: Final = f"""
WITH m AS ({_COPIES}), k AS MATERIALIZED ({_KINDS}),
b AS (
    SELECT file, size, place, path, stood AS home, odd, latest, fetched, COALESCE(first, {NEVER}) AS first,
        CASE WHEN latest IS NOT NULL THEN ((place * 3 + stood) * 2 + warm) * {_KIND_COUNT} + kind END AS sign,
        CASE kind WHEN 0 THEN {NEVER} WHEN 1 THEN read WHEN 3 THEN fetched ELSE attested END AS base,
        CASE kind WHEN 0 THEN {NEVER} WHEN 1 THEN read WHEN 3 THEN fetched
            ELSE max(attested, COALESCE(looked, attested)) END AS seen
    FROM k
),
-- Newest proof first, so that this order is the same for all files of a group.
s AS MATERIALIZED (
    SELECT *, row_number() OVER newest_first AS nth,
        COALESCE(group_concat(sign) OVER whole_file, '')
            || CASE WHEN :each THEN hex(file) ELSE '' END AS stands,
        max(COALESCE(odd, 0)) OVER whole_file AS is_odd
    FROM b
    WINDOW newest_first AS (PARTITION BY file ORDER BY base DESC, sign, path),
        whole_file AS (newest_first ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING)
)
SELECT 0 AS what, stands, NULL AS sign, count(*), sum(size), min(file), NULL, NULL, NULL, NULL, NULL,
    NULL, NULL
FROM s WHERE nth = 1 AND NOT is_odd GROUP BY stands
UNION ALL
SELECT 1, stands, min(sign), nth, min(base), max(base), min(seen), max(seen),
    COALESCE(min(fetched), {NEVER}), COALESCE(max(fetched), {NEVER}), max(latest), min(first), max(first)
FROM s WHERE NOT is_odd AND sign IS NOT NULL GROUP BY stands, nth
UNION ALL
SELECT 2, NULL, NULL, size, file, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL
FROM s WHERE nth = 1 AND is_odd
UNION ALL
SELECT 3, NULL, place, count(DISTINCT path), NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL
FROM s WHERE home > 0 AND sign IS NOT NULL AND place IN (SELECT place FROM s WHERE home = 1)
GROUP BY place
"""
"""Takes ``roll`` (its number), ``folder`` (with a slash), ``behind`` (what comes after all in it), ``each``."""
_FIRSTS: Final = f"""
SELECT rf.size, c.place, COALESCE(min(f.at), {NEVER})
FROM roll_files rf JOIN copies c ON c.content = rf.content LEFT JOIN facts f ON f.copy = c.no AND {_PROOF}
WHERE rf.roll = ? AND rf.path = ? GROUP BY c.no
"""
_LACKING: Final = (
    "SELECT r.no, r.folder, r.file_count FROM rolls r "
    "WHERE NOT EXISTS (SELECT 1 FROM sums s WHERE s.roll = r.no)"
)
_PUT: Final = "INSERT OR REPLACE INTO sums (roll, stamp, said) VALUES (?, random(), ?)"


class _Head(NamedTuple):
    """Of a roll's sums, what is not told by ``said``."""

    id: RollId
    number: int
    sealed: int
    stamp: int


def add_some(connection: sqlite3.Connection) -> bool:
    """Sum up some of the rolls that have no sums; inside a transaction that writes.

    Returns:
        Whether there are more.
    """
    files = 0
    for number, folder, count in connection.execute(_LACKING).fetchall():
        if files > FILES_AT_ONCE:
            return True
        connection.execute(_PUT, (number, _said(connection, number, folder)))
        files += count
    return False


def lacks_any(connection: sqlite3.Connection) -> bool:
    """Whether any roll has no sums."""
    return connection.execute(f"{_LACKING} LIMIT 1").fetchone() is not None


def read(
    connection: sqlite3.Connection, known: Mapping[RollId, RollSums]
) -> dict[RollId, RollSums]:
    """The sums of every roll, by its name's order; inside a transaction, so all of one moment.

    Args:
        connection: the catalog's.
        known: what was read before, which is taken where its stamp is that of now.
    """
    places = _places(connection)
    found: dict[RollId, RollSums] = {}
    for number, ident, folder, sealed, stamp in connection.execute(
        "SELECT r.no, r.id, r.folder, r.sealed_at, COALESCE(s.stamp, random()) FROM rolls r LEFT JOIN sums s ON s.roll = r.no "
        "ORDER BY r.shoot, r.source, r.name, r.id"
    ).fetchall():
        roll = RollId(ident)
        before = known.get(roll)
        if before is not None and before.stamp == stamp and before.number == number:
            found[roll] = before
            continue
        head = _Head(roll, number, sealed, stamp)
        found[roll] = _kept(connection, places, head) or _from(
            _said(connection, number, folder), places, head
        )
    return found


def _kept(
    connection: sqlite3.Connection, places: Mapping[int, PlaceId], head: _Head
) -> RollSums | None:
    """What the table says; None: nothing, or it is not in the form in which it was put there."""
    said = connection.execute("SELECT said FROM sums WHERE roll = ?", (head.number,)).fetchone()
    try:
        return _from(said[0], places, head) if said is not None else None
    except (ValueError, TypeError, LookupError):
        return None


def each(connection: sqlite3.Connection, sums: RollSums) -> RollSums:
    """The same roll with a group for each file."""
    (folder,) = connection.execute(
        "SELECT folder FROM rolls WHERE no = ?", (sums.number,)
    ).fetchone()
    said = _said(connection, sums.number, folder, is_each=True)
    head = _Head(sums.id, sums.number, sums.sealed, sums.stamp)
    return _from(said, _places(connection), head)


def first_proofs(connection: sqlite3.Connection, sums: RollSums) -> Iterator[Group]:
    """A group for each of a roll's odd files, in which nothing stands but when it was first proven where."""
    places = _places(connection)
    for path in sums.odd:
        rows_found = connection.execute(_FIRSTS, (sums.number, rows.path_bytes(path))).fetchall()
        yield Group(
            files=1,
            size_bytes=rows_found[0][0],
            slots=tuple(
                _UNKNOWN._replace(place=places[place], first=first, first_last=first)
                for _, place, first in rows_found
            ),
            path=path,
        )


def _places(connection: sqlite3.Connection) -> dict[int, PlaceId]:
    return {no: PlaceId(ident) for no, ident in connection.execute("SELECT no, id FROM place_ids")}


def _said(
    connection: sqlite3.Connection, number: int, folder: bytes, *, is_each: bool = False
) -> str:
    """Groups as files, bytes, path and slots; odd files' paths and bytes; names by place."""
    values = {"roll": number, "folder": folder + b"/", "behind": folder + b"0", "each": is_each}
    groups: dict[str, list[Any]] = {}
    slots: dict[str, list[tuple[int, list[int]]]] = {}
    odd: list[str] = []
    names: dict[int, int] = {}
    odd_bytes = 0
    for what, stands, sign, *told in connection.execute(SUMS, values):
        if what == 0:
            files, size, path, *_ = told
            groups[stands] = [files, size, path.hex() if is_each else ""]
            slots[stands] = []
        elif what == 1:
            at, kind = divmod(sign, _KIND_COUNT)
            nth, *dates = told
            stood, warm = divmod(at, 2)
            slots[stands].append((nth, [*divmod(stood, 3), kind, *dates, warm]))
        elif what == _ODD_FILE:
            odd_bytes += told[0]
            odd.append(told[1].hex())
        else:
            names[sign] = told[0]
    for stands, found in slots.items():
        groups[stands].append([slot for _, slot in sorted(found)])
    return json.dumps([list(groups.values()), odd, odd_bytes, list(names.items())])


def _from(said: str, places: Mapping[int, PlaceId], head: _Head) -> RollSums:
    groups, odd, odd_bytes, names = json.loads(said)
    return RollSums(
        id=head.id,
        number=head.number,
        sealed=head.sealed,
        stamp=head.stamp,
        groups=tuple(
            Group(files, size, _slots(slots, places), rows.path_from(bytes.fromhex(path)))
            for files, size, path, slots in groups
        ),
        odd=tuple(rows.path_from(bytes.fromhex(path)) for path in odd),
        odd_bytes=odd_bytes,
        names={places[place]: count for place, count in names},
    )


def _slots(slots: Iterable[Any], places: Mapping[int, PlaceId]) -> tuple[Slot, ...]:
    return tuple(Slot(places[place], *rest) for place, *rest in slots)
