"""Events in the catalog: each function runs on a connection that its caller holds.

What is asked stays quick however many there are: every statement goes by the key or by the index,
never over all of a kind; a long answer comes in pages, so nothing is held meanwhile.
"""

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from datetime import datetime
from typing import Final, TypeAlias

from backupkeeper.catalog import rows
from backupkeeper.core.model import Event, EventKind

Row: TypeAlias = tuple[int, bytes, bytes]
"""Time, subject, detail."""

PAGE: Final = 1000
ADD: Final = (
    "INSERT INTO events (kind, subject, at, detail) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"
)
OF_KIND: Final = (
    "SELECT at, subject, detail FROM events WHERE kind = :kind AND at >= :at "
    "AND (:first OR (at, subject, detail) > (:at, :subject, :detail)) "
    "ORDER BY at, subject, detail LIMIT :page"
)
OF_SUBJECT: Final = (
    "SELECT at, subject, detail FROM events WHERE kind = :kind AND subject = :subject "
    "AND at >= :at AND (:first OR (at, detail) > (:at, :detail)) ORDER BY at, detail LIMIT :page"
)
LATEST: Final = """
WITH RECURSIVE subjects (subject) AS (
    SELECT min(subject) FROM events WHERE kind = :kind
    UNION ALL
    SELECT (SELECT min(e.subject) FROM events e WHERE e.kind = :kind AND e.subject > s.subject)
    FROM subjects s WHERE s.subject IS NOT NULL
)
SELECT e.at, s.subject, e.detail FROM subjects s JOIN events e ON e.kind = :kind
    AND e.subject = s.subject
    AND (e.at, e.detail) = (
        SELECT at, detail FROM events WHERE kind = :kind AND subject = s.subject
        ORDER BY at DESC, detail DESC LIMIT 1
    )
WHERE s.subject IS NOT NULL
"""
"""The newest of each subject, found by steps over subjects, not by a walk over all events."""
THIN: Final = """
DELETE FROM events WHERE kind = :kind AND at < :before AND EXISTS (
    SELECT 1 FROM events e
    WHERE e.kind = events.kind AND e.subject = events.subject AND e.at > events.at
)
"""
_EVER: Final = -(2**63)


def add(connection: sqlite3.Connection, events: Iterable[Event]) -> None:
    """Remember events; one that is there already is no error."""
    connection.executemany(
        ADD,
        (
            (event.kind.value, rows.words(event.subject), rows.micros(event.at),
             rows.words(event.detail))
            for event in events
        ),
    )  # fmt: skip


def walk(
    asking: Callable[[], AbstractContextManager[sqlite3.Connection]],
    kind: EventKind,
    *,
    since: datetime | None,
    subject: str | None,
) -> Iterator[Event]:
    """All events of a kind, by time; no statement is open between two of them.

    Args:
        asking: hands out the catalog's connection for one question.
        kind: which.
        since: the first moment that counts; None for all.
        subject: the only one that counts; None for all.
    """
    last: Row | None = None
    more = True
    while more:
        with asking() as connection:
            page = _page(connection, kind, since, subject, last)
            found = [_event(kind, row) for row in page]
        yield from found
        more = len(page) == PAGE
        last = page[-1] if page else None


def _page(
    connection: sqlite3.Connection,
    kind: EventKind,
    since: datetime | None,
    subject: str | None,
    after: Row | None,
) -> list[Row]:
    """The next ``PAGE`` rows; fewer only at the end. ``after``: the last row of the page before."""
    begin = _EVER if since is None else rows.micros(since)
    at, last_subject, detail = after or (begin, b"", b"")
    values = {
        "kind": kind.value,
        "at": at,
        "subject": last_subject if subject is None else rows.words(subject),
        "detail": detail,
        "first": after is None,
        "page": PAGE,
    }
    return connection.execute(OF_KIND if subject is None else OF_SUBJECT, values).fetchall()


def latest(connection: sqlite3.Connection, kind: EventKind) -> dict[str, Event]:
    """The newest event of each subject."""
    found = connection.execute(LATEST, {"kind": kind.value})
    events = [_event(kind, row) for row in found]
    return {event.subject: event for event in events}


def thin(connection: sqlite3.Connection, kinds: Iterable[EventKind], before: datetime) -> None:
    """Forget old events, but not the newest of a subject."""
    for kind in dict.fromkeys(kinds):
        connection.execute(THIN, {"kind": kind.value, "before": rows.micros(before)})


def _event(kind: EventKind, row: Row) -> Event:
    at, subject, detail = row
    return Event(
        at=rows.moment(at),
        kind=kind,
        subject=rows.unwords(subject),
        detail=rows.unwords(detail),
    )
