"""How places stand, as persons said it: events of the kind ``stood``, united like all events.

The last word about a place counts, whichever machine heard it; so a machine that did not know that a
drive was lost, and described it anew since, can't bring it back. The column ``places.standing`` is
kept to what the events say, for the statements that read it.

Each function runs on a connection that its caller holds.
"""

import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.catalog import events, rows
from backupkeeper.core.model import Event, EventKind, Place, PlaceId, Standing

TICK: Final = timedelta(microseconds=1)
_SETTLE: Final = """
WITH said (no, standing) AS (
    SELECT i.no, (
        SELECT CAST(e.detail AS TEXT) FROM events e
        WHERE e.kind = 'stood' AND e.subject = CAST(i.id AS BLOB)
        ORDER BY e.at DESC, e.detail DESC LIMIT 1
    ) FROM place_ids i
)
UPDATE places SET standing = (SELECT s.standing FROM said s WHERE s.no = places.no)
WHERE EXISTS (
    SELECT 1 FROM said s
    WHERE s.no = places.no AND s.standing IS NOT NULL AND s.standing <> places.standing
)
"""
_LAST: Final = "SELECT max(at) FROM events WHERE kind = 'stood' AND subject = ?"
COUNTS_FROM: Final = (
    "SELECT max(e.at) FROM events e WHERE e.kind = 'stood' AND e.subject = CAST({id} AS BLOB) "
    "AND e.detail = CAST('active' AS BLOB)"
)
"""When the place with this id last came back, in microseconds; NULL: never."""


def settle(connection: sqlite3.Connection) -> None:
    """Make the column say what the events say; a place of which they say nothing stays as it is."""
    connection.execute(_SETTLE)


def stand(
    connection: sqlite3.Connection, place: PlaceId, standing: Standing, now: datetime
) -> datetime:
    """Remember what a person says, as the last word on that place. Returns the time it got."""
    (last,) = connection.execute(_LAST, (rows.words(place),)).fetchone()
    at = now if last is None else max(now, rows.moment(last) + TICK)
    said = Event(at=at, kind=EventKind.STOOD, subject=place, detail=standing.value)
    events.add(connection, [said])
    settle(connection)
    return at


def with_counts_from(connection: sqlite3.Connection, places: Iterable[Place]) -> tuple[Place, ...]:
    """The places, each with when it came back."""
    asked = f"SELECT ({COUNTS_FROM.format(id='?')})"
    found = ((place, connection.execute(asked, (place.id,)).fetchone()[0]) for place in places)
    return tuple(
        place if at is None else replace(place, counts_from=rows.moment(at)) for place, at in found
    )
