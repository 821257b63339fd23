"""Letters in the catalog: see ``ports.outbox.Outbox`` for what each method promises.

What is overwritten or removed here is gone from the file too (``secure_delete``,
https://sqlite.org/pragma.html#pragma_secure_delete): snapshots go to drives and buckets.
"""

import os
import sqlite3
from datetime import datetime
from typing import Any, Final

from backupkeeper.catalog import rows
from backupkeeper.catalog.connected import Connected
from backupkeeper.catalog.faults import told
from backupkeeper.core.mailing import Letter, LetterKind, LetterState
from backupkeeper.ports.clock import Clock

_COLUMNS: Final = "message_id, kind, thread, root, subject, made_at, next_at, state, tries, said, ended_at, message"
_ADD: Final = f"INSERT INTO outbox ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"  # noqa: S608 - ours
_SELECT: Final = f"SELECT {_COLUMNS} FROM outbox WHERE state = ?"  # noqa: S608 - ours
_ORDER: Final = "ORDER BY made_at, message_id"
_REPLACE: Final = (
    "UPDATE outbox SET state = ?, ended_at = ?, message = x'' WHERE state = ? AND thread = ?"
)
_SENT: Final = "UPDATE outbox SET state = ?, ended_at = ?, tries = tries + 1, said = x'', message = x'' WHERE message_id = ?"
_FAILED: Final = (
    "UPDATE outbox SET state = ?, ended_at = ?, next_at = ?, tries = tries + 1, said = ?, "
    "message = CASE WHEN ? THEN x'' ELSE message END WHERE message_id = ? AND state = ?"
)


class OutboxRows(Connected):
    """Part of ``catalog.store.SqliteCatalog``; alone it is what a thread of its own uses."""

    def post(self, letter: Letter) -> None:
        """Put a letter in; those of its thread that still wait are replaced by it."""
        about, made = rows.words(letter.thread), rows.micros(letter.made_at)
        with self._writing_events() as connection:
            connection.execute(
                _REPLACE, (LetterState.REPLACED.value, made, LetterState.WAITING.value, about)
            )
            connection.execute(_ADD, _row(letter))

    def waiting(self) -> tuple[Letter, ...]:
        """All that wait, with their text, the oldest first."""
        with self._asking() as connection:
            found = connection.execute(f"{_SELECT} {_ORDER}", (LetterState.WAITING.value,))
            return tuple(map(_from, found.fetchall()))

    def letters(self, thread: str, state: LetterState) -> tuple[Letter, ...]:
        """Those about one thing in one state, the oldest first."""
        with self._asking() as connection:
            found = connection.execute(
                f"{_SELECT} AND thread = ? {_ORDER}", (state.value, rows.words(thread))
            )
            return tuple(map(_from, found.fetchall()))

    def letter_sent(self, message_id: str, at: datetime) -> None:
        """The server took it, whatever else became of it meanwhile."""
        with self._writing_events() as connection:
            connection.execute(_SENT, (LetterState.SENT.value, rows.micros(at), message_id))

    def letter_failed(
        self, message_id: str, at: datetime, *, state: LetterState, next_at: datetime, said: str
    ) -> None:
        """It was tried and not taken; one that ended meanwhile stays as it is."""
        has_ended = state is not LetterState.WAITING
        values = (
            state.value,
            rows.micros(at) if has_ended else None,
            rows.micros(next_at),
            rows.words(said),
            has_ended,
            message_id,
            LetterState.WAITING.value,
        )
        with self._writing_events() as connection:
            connection.execute(_FAILED, values)

    def hurry(self, now: datetime) -> None:
        """All that wait are due now."""
        with self._writing_events() as connection:
            connection.execute(
                "UPDATE outbox SET next_at = ? WHERE state = ?",
                (rows.micros(now), LetterState.WAITING.value),
            )

    def thin_letters(self, before: datetime) -> None:
        """Forget letters that ended before then."""
        with self._writing_events() as connection:
            connection.execute("DELETE FROM outbox WHERE ended_at < ?", (rows.micros(before),))


def open_outbox(path: str, *, clock: Clock, patience_s: float = 10.0) -> OutboxRows:
    """Another connection to a catalog that is open in this program (and so was checked).

    Args:
        path: its file.
        clock: the time of day.
        patience_s: how long to wait for another that is writing, in seconds.

    Raises:
        CatalogError: it can't be opened.
    """
    with told(path):
        os.stat(path)  # one that is not there is not made
        connection = sqlite3.connect(path, timeout=patience_s, isolation_level=None)
        for setting in ("synchronous = FULL", "foreign_keys = ON", "secure_delete = ON"):
            connection.execute(f"PRAGMA {setting}")
    return OutboxRows(connection, path, clock=clock, checked="by the catalog")


def _row(letter: Letter) -> tuple[object, ...]:
    return (
        letter.message_id,
        letter.kind.value,
        rows.words(letter.thread),
        letter.root,
        rows.words(letter.subject),
        rows.micros(letter.made_at),
        rows.micros(letter.next_at),
        letter.state.value,
        letter.tries,
        rows.words(letter.said),
        None if letter.ended_at is None else rows.micros(letter.ended_at),
        letter.message,
    )


def _from(row: tuple[Any, ...]) -> Letter:
    ident, kind, thread, root, subject, made, following, state, tries, said, ended, message = row
    return Letter(
        message_id=ident,
        kind=LetterKind(kind),
        thread=rows.unwords(thread),
        root=root,
        subject=rows.unwords(subject),
        made_at=rows.moment(made),
        next_at=rows.moment(following),
        state=LetterState(state),
        tries=tries,
        said=rows.unwords(said),
        ended_at=None if ended is None else rows.moment(ended),
        message=message,
    )
