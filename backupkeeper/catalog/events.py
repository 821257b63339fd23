"""Events in the catalog: each function runs on a connection that its caller holds."""

import sqlite3
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Final

from backupkeeper.catalog import rows
from backupkeeper.core.model import Event, EventKind

_ADD: Final = (
    "INSERT INTO events (kind, subject, at, detail) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"
)
_SINCE: Final = (
    "SELECT kind, subject, at, detail FROM events WHERE kind = :kind AND at >= :since "
    "AND (:subject IS NULL OR subject = :subject) ORDER BY at, subject, detail"
)
_LATEST: Final = """
WITH RECURSIVE subjects (subject) AS (
    SELECT min(subject) FROM events WHERE kind = :kind
    UNION ALL
    SELECT (SELECT min(e.subject) FROM events e WHERE e.kind = :kind AND e.subject > s.subject)
    FROM subjects s WHERE s.subject IS NOT NULL
)
SELECT :kind, s.subject, e.at, e.detail FROM subjects s JOIN events e ON e.kind = :kind
    AND e.subject = s.subject
    AND (e.at, e.detail) = (
        SELECT at, detail FROM events WHERE kind = :kind AND subject = s.subject
        ORDER BY at DESC, detail DESC LIMIT 1
    )
WHERE s.subject IS NOT NULL
"""
"""The newest of each subject, found by steps over subjects, not by a walk over all events."""
_THIN: Final = """
DELETE FROM events WHERE kind = :kind AND at < :before AND EXISTS (
    SELECT 1 FROM events e
    WHERE e.kind = events.kind AND e.subject = events.subject AND e.at > events.at
)
"""
_EVER: Final = -(2**63)


def add(connection: sqlite3.Connection, events: Iterable[Event]) -> None:
    """Remember events; one that is there already is no error."""
    connection.executemany(
        _ADD,
        (
            (event.kind.value, rows.words(event.subject), rows.micros(event.at),
             rows.words(event.detail))
            for event in events
        ),
    )  # fmt: skip


def since(
    connection: sqlite3.Connection,
    kinds: Iterable[EventKind],
    begin: datetime | None,
    subject: str | None,
) -> Iterator[Event]:
    """Events of these kinds, oldest first."""
    found: list[Event] = []
    for kind in dict.fromkeys(kinds):
        values = {
            "kind": kind.value,
            "since": _EVER if begin is None else rows.micros(begin),
            "subject": None if subject is None else rows.words(subject),
        }
        found += [_event(*row) for row in connection.execute(_SINCE, values)]
    return iter(sorted(found, key=lambda event: event.at))


def latest(connection: sqlite3.Connection, kind: EventKind) -> dict[str, Event]:
    """The newest event of each subject."""
    found = connection.execute(_LATEST, {"kind": kind.value})
    events = [_event(*row) for row in found]
    return {event.subject: event for event in events}


def thin(connection: sqlite3.Connection, kinds: Iterable[EventKind], before: datetime) -> None:
    """Forget old events, but not the newest of a subject."""
    for kind in dict.fromkeys(kinds):
        connection.execute(_THIN, {"kind": kind.value, "before": rows.micros(before)})


def _event(kind: str, subject: bytes, at: int, detail: bytes) -> Event:
    return Event(
        at=rows.moment(at),
        kind=EventKind(kind),
        subject=rows.unwords(subject),
        detail=rows.unwords(detail),
    )
