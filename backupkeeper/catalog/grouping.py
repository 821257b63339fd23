"""Files of all rolls, counted in groups by where their copies stand: one statement for ``gaps``.

What a copy's state is, is decided in ``core.policy``; here it is worked out once more in SQL, for the
copies of which only plain things are known, and every other is marked (``FileGroup.is_plain``). A
property test holds the two against each other.
"""

# ruff: noqa: S608 - statements are put together from constants only; every value is bound

import sqlite3
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.catalog import rows
from backupkeeper.catalog.standings import COUNTS_FROM
from backupkeeper.core.covers import FileGroup, Stands
from backupkeeper.core.model import CopyState, PlaceId, Role, RollId, Way
from backupkeeper.core.policy import Policy

_STATES: Final = {
    0: CopyState.PROVEN,
    1: CopyState.DUE,
    2: CopyState.WRITTEN,
    3: CopyState.OUT_OF_REACH,
}
# Numbers of ways and results: the schema's tables of these names. Every fact is a match and none
# lies in the future, where a copy is not odd; so a proof is undone only by writing anew.
_COPIES: Final = """
SELECT c.place AS place, c.content AS content,
    max(f.result <> 1) OR max(f.at) > :now AS odd,
    max(CASE WHEN f.way = 1 THEN f.at END) AS written,
    max(CASE WHEN f.way IN (2, 3) AND f.cold = 1 THEN f.at END) AS read,
    max(CASE WHEN f.way = 4 THEN f.at END) AS attested,
    max(CASE WHEN f.way = 5 THEN f.at END) AS fetched,
    max(CASE WHEN f.way = 6 THEN f.at END) AS looked,
    min(CASE WHEN f.way <> 1 THEN f.version END) AS version,
    max(CASE WHEN f.way <> 1 THEN f.version END) AS other
FROM copies c CROSS JOIN facts f ON f.copy = c.no
GROUP BY c.no
"""
# Of a place that was lost and is back nothing from before it came counts (core.coming_back).
_PLACES: Final = f"""
SELECT o.no AS no, o.role AS role, o.standing AS standing,
    COALESCE(({COUNTS_FROM.format(id="i.id")}), :never) AS counts_from
FROM places o JOIN place_ids i USING (no)
"""
# Where an object was fetched back after it was attested, the attestation stays what counts, unless
# it was written anew between the two; a look keeps an attestation young.
_JUDGED: Final = """
SELECT m.content AS content, p.no AS place, p.role AS role,
    m.odd OR m.version IS NOT m.other
        OR (m.read IS NOT NULL AND (m.attested IS NOT NULL OR m.fetched IS NOT NULL))
        OR (m.attested < p.counts_from AND m.fetched >= p.counts_from) AS odd,
    CASE
        WHEN p.standing <> 'active' THEN 3
        WHEN COALESCE(m.read, m.attested, m.fetched) IS NULL THEN 2
        WHEN max(
            COALESCE(m.read, :never), COALESCE(m.attested, :never), COALESCE(m.fetched, :never)
        ) < max(COALESCE(m.written, :never), p.counts_from) THEN 2
        WHEN m.read IS NOT NULL THEN :now - m.read > :read_age
        WHEN m.fetched IS NULL OR m.attested > m.fetched
            THEN :now - max(m.attested, COALESCE(m.looked, m.attested)) > :attested_age
        WHEN m.attested IS NULL OR m.written > m.attested THEN :now - m.fetched > :fetched_age
        ELSE :now - max(m.attested, COALESCE(m.looked, m.attested)) > :attested_age
            AND :now - m.fetched > :fetched_age
    END AS state,
    CASE
        WHEN m.read IS NOT NULL THEN m.read
        WHEN m.fetched IS NULL OR m.attested > m.fetched THEN m.attested
        WHEN m.attested IS NULL OR m.written > m.attested THEN m.fetched
        ELSE m.attested
    END AS at
FROM m JOIN p ON p.no = m.place
"""
_BEST: Final = ",\n".join(
    f"COALESCE(max(CASE WHEN s.role = '{role.value}' AND s.state = 0 THEN s.at END), "
    f"max(CASE WHEN s.role = '{role.value}' AND s.state = 1 THEN s.at END)) AS best_{role.value}"
    for role in Role
)
"""By role when the best copy was proven: of those proven the newest, else of those due."""
_OLDEST: Final = ", ".join(f"min(g.best_{role.value})" for role in Role)
GROUPS: Final = f"""
WITH m AS MATERIALIZED ({_COPIES}), p AS MATERIALIZED ({_PLACES}), s AS MATERIALIZED ({_JUDGED}), g AS (
    SELECT rf.roll AS roll, rf.size AS size, max(s.odd) AS odd,
        group_concat(s.place * 4 + s.state) AS stands, {_BEST}
    FROM roll_files rf LEFT JOIN s ON s.content = rf.content
    GROUP BY rf.roll, rf.path
)
SELECT r.id, g.stands, count(*), sum(g.size), max(g.odd), {_OLDEST}
FROM g JOIN rolls r ON r.no = g.roll
GROUP BY g.roll, g.stands
"""
"""Takes ``now``, ``never`` and three ages, all in microseconds."""


def groups(
    connection: sqlite3.Connection, policy: Policy, now: datetime
) -> dict[RollId, list[FileGroup]]:
    """All files of each roll that has any.

    Args:
        connection: the catalog's.
        policy: how old proofs may be.
        now: the present time.
    """
    microsecond = timedelta(microseconds=1)
    values = {
        "now": rows.micros(now),
        "never": -(2**63),
        "read_age": policy.age_of(Way.REHASH) // microsecond,
        "attested_age": policy.age_of(Way.ATTESTED) // microsecond,
        "fetched_age": policy.age_of(Way.DOWNLOADED) // microsecond,
    }
    places = {
        number: PlaceId(ident)
        for number, ident in connection.execute("SELECT no, id FROM place_ids")
    }
    known: dict[str | None, Stands] = {None: ()}
    found: dict[RollId, list[FileGroup]] = {}
    for ident, text, files, size, odd, *oldest in connection.execute(GROUPS, values):
        if text not in known:
            known[text] = _stands(text, places)
        found.setdefault(RollId(ident), []).append(
            FileGroup(
                stands=known[text],
                files=files,
                size_bytes=size,
                oldest={
                    role: None if at is None else rows.moment(at)
                    for role, at in zip(Role, oldest, strict=True)
                },
                is_plain=not odd,
            )
        )
    return found


def _stands(text: str, places: Mapping[int, PlaceId]) -> Stands:
    told = (divmod(int(one), len(_STATES)) for one in text.split(","))
    return tuple(sorted((places[place], _STATES[state]) for place, state in told))
