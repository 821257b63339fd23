"""Between the live page's readers and the daemon: what is shown now, and what somebody asked for.

One thread of its own asks the daemon and makes pages, so neither the loop nor the server ever waits
for the other. Nothing is asked while nobody looks.

Promises:
1. Each reader gets every piece as it is now, then again when it changes; how often is bounded.
2. No piece is shown that is older than ``STALE_S``: a yes, least of all.
3. What fails here is said on the page, and harms neither the daemon nor the next try.
"""

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future, InvalidStateError
from contextlib import suppress
from datetime import tzinfo
from typing import Any, Final, Protocol

from backupkeeper.core.errors import BackupkeeperError, BrokenPromiseError
from backupkeeper.core.status import Status
from backupkeeper.report.live import live_parts

EVERY_S: Final = 1.0
REPORT_S: Final = 15.0
"""A report may be made anew so often at most, for those who look on."""
STALE_S: Final = 20.0
"""Pieces that nothing renewed for so long are not shown: a drive that gives no answer may hold this up."""
MOST_READERS: Final = 12
Json = Mapping[str, Any]


class Sources(Protocol):
    """Where everything comes from. Used by the desk's own thread alone, but for ``ask``.

    Only errors of ``core.errors`` leave.
    """

    def status(self) -> Status | None:
        """What the daemon is at; None: it does not answer."""
        ...

    def page(self) -> str:
        """The whole page, made now."""
        ...

    def mark(self) -> object:
        """Something that is another once the report would be another."""
        ...

    def ask(self, what: str, **values: object) -> Json | None:
        """Ask the daemon for something (see ``daemon.control``); from any thread."""
        ...

    def close(self) -> None:
        """Let go of everything."""
        ...


class Desk:
    """See above.

    Args:
        sources: see there.
        zone: where the person is.
        seconds: a stopwatch.
        on_trouble: told, in one sentence, of what should not happen.
    """

    def __init__(
        self,
        sources: Sources,
        zone: tzinfo,
        seconds: Callable[[], float],
        on_trouble: Callable[[str], None] = lambda _said: None,
    ) -> None:
        self._on_trouble = on_trouble
        self._sources = sources
        self._zone = zone
        self._seconds = seconds
        self._wake = threading.Condition()
        self._readers: dict[int, Callable[[], None]] = {}
        self._wanted: list[Future[str]] = []
        self._parts: Mapping[str, str] = {}
        self._report = 0
        self._made_s = float("-inf")
        self._looked_s = float("-inf")
        self._mark: object = None
        self._next_reader = 0
        self._ended = False
        self._thread: threading.Thread | None = None

    # -- for the server, from any thread

    def page(self) -> "Future[str]":
        """A page, made soon. The future may end with an error of ``core.errors``."""
        wanted: Future[str] = Future()
        with self._wake:
            if self._ended:
                wanted.cancel()
            else:
                self._wanted.append(wanted)
                self._wake.notify()
        return wanted

    def shown(self) -> tuple[Mapping[str, str], int]:
        """Every piece as it is now, and the number of the report that it belongs to."""
        with self._wake:
            if self._seconds() - self._looked_s > STALE_S:
                return live_parts(None, self._zone), self._report
            return self._parts, self._report

    def join(self, on_change: Callable[[], None]) -> int | None:
        """Somebody looks: told of each change, in the desk's thread. None: too many look already."""
        with self._wake:
            if self._ended or len(self._readers) >= MOST_READERS:
                return None
            if not self._readers:  # nobody asked meanwhile: what is known is of the last who looked
                self._parts, self._looked_s = {}, self._seconds()
            self._next_reader += 1
            self._readers[self._next_reader] = on_change
            self._wake.notify()
            return self._next_reader

    def leave(self, reader: int) -> None:
        """They look no more."""
        with self._wake:
            self._readers.pop(reader, None)

    def ask(self, what: str, **values: object) -> Json | None:
        """See ``Sources.ask``; what is shown follows at once."""
        told = self._sources.ask(what, **values)
        with self._wake:
            self._wake.notify()
        return told

    @property
    def has_ended(self) -> bool:
        """Whether it was stopped."""
        return self._ended

    # -- its own thread

    def start(self) -> None:
        """Begin."""
        self._thread = threading.Thread(target=self._run, name="page desk", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End within two seconds; whoever looks is told."""
        with self._wake:
            self._ended = True
            readers, wanted = list(self._readers.values()), self._wanted
            self._readers, self._wanted = {}, []
            self._wake.notify()
        for one in wanted:
            one.cancel()
        for on_change in readers:
            on_change()
        if self._thread is not None:
            self._thread.join(2.0)
            self._thread = None

    def _run(self) -> None:
        while self._waited():
            self.step()
        self._sources.close()

    def _waited(self) -> bool:
        """Wait for something to do; False: there will be nothing more."""
        with self._wake:
            if not self._wanted and not self._ended:
                self._wake.wait(EVERY_S if self._readers else None)
            return not self._ended

    def step(self) -> None:
        """Make the pages that are wanted, and look whether anything changed for those who look on."""
        with self._wake:
            wanted, self._wanted = self._wanted, []
            looks_on = bool(self._readers)
        if wanted:
            self._make(wanted)
        if looks_on or wanted:
            self._look()

    def _make(self, wanted: "list[Future[str]]") -> None:
        page = ""
        error: BackupkeeperError | None = None
        try:
            self._mark = self._sources.mark()
            page = self._sources.page()
        except BackupkeeperError as told:
            error = told
        except Exception as told:  # noqa: BLE001 - a bulkhead: the next report may be made
            error = BrokenPromiseError(f"{type(told).__name__}: {told}")
            self._on_trouble(f"The page could not be made. {error.message}")
        self._made_s = self._seconds()
        for one in wanted:
            with suppress(InvalidStateError):  # who asked has gone
                one.set_result(page) if error is None else one.set_exception(error)

    def _look(self) -> None:
        begun = self._seconds()
        try:
            status = self._sources.status()
            mark = self._sources.mark()
        except BackupkeeperError:
            status, mark = None, self._mark
        parts = live_parts(status, self._zone)
        is_new = mark != self._mark and self._seconds() - self._made_s >= REPORT_S
        with self._wake:
            self._looked_s = begun
            if parts == self._parts and not is_new:
                return
            self._parts = parts
            if is_new:
                self._mark, self._made_s = mark, self._seconds()
                self._report += 1
            readers = list(self._readers.values())
        for on_change in readers:
            on_change()
