"""One connection to a catalog's file: for one thread, in transactions that nest, closed once.

Promises:
1. What was written in ``transaction`` is on the disk when the outermost one ends, or none of it is.
2. Only the thread that opened it may use it; another is refused.
3. What SQLite raises leaves as ``CatalogError``; what a caller's own code raises passes untouched.
"""

import errno
import os
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Final, TypeVar

from backupkeeper.catalog.faults import told
from backupkeeper.core.errors import CatalogError
from backupkeeper.core.model import PlaceId, RollId
from backupkeeper.core.scrub import Load
from backupkeeper.core.sums import RollSums
from backupkeeper.ports.clock import Clock

HURRY_MS: Final = 50
LEAST_ROOM_BYTES: Final = 1024 * 1024
_T = TypeVar("_T")
Counted = dict[PlaceId, tuple[tuple[int, int], _T]]
"""What was counted last, and ``change_mark`` then: asked several times for one report."""


class Connected:
    """The file, for what ``catalog.store`` asks of it and writes to it."""

    def __init__(
        self, connection: sqlite3.Connection, path: str, *, clock: Clock, checked: str
    ) -> None:
        self._connection = connection
        self._path = path
        self._clock = clock
        self._thread = threading.get_ident()
        self._depth = 0
        self._closed = False
        self._event_changes = 0
        self._ages: Counted[tuple[Load, ...]] = {}
        self._held: Counted[tuple[int, int]] = {}
        self._sums: dict[RollId, RollSums] = {}
        """What was read last."""
        self.checked = checked
        """How the file was checked at the start: see ``catalog.opening``."""

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Join several calls into one durable step. Within another one: a part of that.

        An error that leaves the body takes back what was recorded in it, and no more.
        """
        self._must_be_usable()
        mark = f"part_{self._depth}"
        undo: tuple[str, ...]
        if self._depth == 0:
            self._must_have_room()
            begin, end, undo = "BEGIN IMMEDIATE", "COMMIT", ("ROLLBACK",)
        elif self._connection.in_transaction:
            begin, end = f"SAVEPOINT {mark}", f"RELEASE {mark}"
            undo = (f"ROLLBACK TO {mark}", f"RELEASE {mark}")
        else:
            raise CatalogError(  # SQLite gives the whole up by itself, say on a full disk
                f"An earlier error took back everything of this step in the catalog {self._path}.",
                advice="Repeat the command.",
            )
        with told(self._path):
            self._connection.execute(begin)
        self._depth += 1
        try:
            yield
            with told(self._path):
                self._connection.execute(end)
        except BaseException:
            with told(self._path):
                self._undo(undo)
            raise
        finally:
            self._depth -= 1

    def close(self) -> None:
        """Release the files. What a ``transaction`` still holds is taken back."""
        if self._closed:
            return
        self._must_be_usable()
        self._closed = True
        with told(self._path):
            self._connection.close()

    def _must_have_room(self) -> None:
        """A full disk is told before SQLite finds out.

        Its index of the log is a file that it uses as memory: where the disk has no room for a page of that, the
        system ends the whole process (``SIGBUS``; seen on ext4: ``tests/breaking/test_torn_away.py``).
        """
        with told(self._path):
            found = os.statvfs(os.path.dirname(self._path) or ".")
            # Some file systems tell nothing at all.
            if found.f_blocks and found.f_bavail * found.f_frsize < LEAST_ROOM_BYTES:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _undo(self, statements: Iterable[str]) -> None:
        for statement in statements:
            if self._connection.in_transaction:
                self._connection.execute(statement)

    def _must_be_usable(self) -> None:
        if threading.get_ident() != self._thread:
            raise CatalogError(
                f"The catalog {self._path} was used from another thread than the one that opened it.",
                advice="This is a mistake in this program: please report it.",
            )
        if self._closed:
            raise CatalogError(
                f"The catalog {self._path} was used after it was closed.",
                advice="This is a mistake in this program: please report it.",
            )

    @contextmanager
    def _asking(self) -> Iterator[sqlite3.Connection]:
        self._must_be_usable()
        with told(self._path):
            yield self._connection

    @contextmanager
    def _one_moment(self) -> Iterator[None]:
        """What is read in it is of one moment."""
        alone = not self._connection.in_transaction
        if alone:
            self._connection.execute("BEGIN")
        try:
            yield
        finally:
            if alone and self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    @contextmanager
    def _hurried(self) -> Iterator[None]:
        """In it nobody is waited for who writes."""
        with told(self._path):
            (patience,) = self._connection.execute("PRAGMA busy_timeout").fetchone()
            self._connection.execute(f"PRAGMA busy_timeout = {HURRY_MS}")
        try:
            yield
        finally:
            with told(self._path):
                self._connection.execute(f"PRAGMA busy_timeout = {patience}")

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self.transaction(), told(self._path):
            yield self._connection

    @contextmanager
    def _writing_events(self) -> Iterator[sqlite3.Connection]:
        with self._writing() as connection:
            before = connection.total_changes
            try:
                yield connection
            finally:
                self._event_changes += connection.total_changes - before

    def change_mark(self) -> tuple[int, int]:
        """Another one whenever something was written, but for events noted through this object."""
        with self._asking() as connection:
            (theirs,) = connection.execute("PRAGMA data_version").fetchone()
            return theirs, connection.total_changes - self._event_changes

    def _counted(
        self,
        kept: Counted[_T],
        place: PlaceId,
        count: Callable[[sqlite3.Connection, PlaceId], _T],
    ) -> _T:
        """What ``count`` says of a place; asked again only after something was written."""
        with self._asking() as connection:
            if self._depth:  # what is written in this step may be taken back
                return count(connection, place)
            mark, known = self.change_mark(), kept.get(place)
            if known is None or known[0] != mark:
                known = kept[place] = (mark, count(connection, place))
            return known[1]
