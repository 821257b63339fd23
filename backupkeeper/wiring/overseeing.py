"""What the Keeper knows of everything at once, for the report."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Final

from tzlocal import get_localzone

from backupkeeper.actions.context import Context
from backupkeeper.actions.overview import overview
from backupkeeper.core.errors import BackupkeeperError, ListingError, OutOfReachError, UsageError
from backupkeeper.core.hours import next_week
from backupkeeper.core.overview import Overview
from backupkeeper.core.status import Status
from backupkeeper.daemon.control import ask
from backupkeeper.wiring.showing import show

OTHER_DAEMON: Final = "A daemon of another version of backupkeeper runs, so what it is at is not known. Start it anew."
SILENT_DAEMON: Final = (
    "A daemon runs, but did not say in time what it is at. Ask again in a minute."
)


class Overseeing:
    """A part of the Keeper."""

    _context: Context
    _environ: Mapping[str, str]

    def overview(self) -> Overview:
        """See ``actions.overview``; what a running daemon says is in it."""
        from backupkeeper.daemon.shares import Shares  # noqa: PLC0415 - only here is so much needed

        tz, now = get_localzone(), self._context.clock.now()
        status, unheard = self._heard()
        weekly = self._context.config.report.weekly
        runs = status is not None or bool(unheard)
        found = overview(
            self._context,
            tz=tz,
            status=status,
            next_at=next_week(weekly, now, tz) if runs and weekly is not None else None,
            notes=Shares(self._context, tz).slow(now),
        )
        return replace(found, unheard=unheard)

    def status(self) -> Status:
        """What the daemon is at; without one, what is so without it."""
        from backupkeeper.daemon.answers import status_without_daemon  # noqa: PLC0415 - as above

        status, unheard = self._heard()
        if status is not None:
            return status
        return replace(status_without_daemon(self._context, get_localzone()), unheard=unheard)

    def page_address(self) -> str:
        """Where the daemon serves its live page.

        Raises:
            UsageError: the configuration has it off.
            OutOfReachError: no daemon runs, or it could not serve it.
        """
        return self._page_at()[0]

    def open_page(self) -> str:
        """Have the browser show the live page, by a file that leads there; its address.

        Raises:
            UsageError: as in ``page_address``.
            OutOfReachError: as in ``page_address``, or nothing here shows it.
        """
        address, door = self._page_at()
        if not door:
            raise OutOfReachError(
                "The file that leads a browser to the page could not be written.",
                advice="Paste what this prints into a browser: backupkeeper page",
            )
        show(door, self._environ)
        return address

    def _page_at(self) -> tuple[str, str]:
        """Its address, and the file that leads there; raises as ``page_address`` does."""
        if not self._context.config.page.enabled:
            raise UsageError(
                "The live page is off.",
                advice="Write enabled = true below [page] in the configuration, and start the daemon anew.",
            )
        told = ask(self._ear, "page")
        if told is None:
            raise OutOfReachError(
                "No daemon runs that would serve the page.",
                advice="Start it: backupkeeper run, or: backupkeeper service install",
            )
        address = str(told.get("address", ""))
        if not address:
            raise OutOfReachError(
                "The daemon serves no page.",
                advice="Its log says why; or it runs by an older configuration: start it anew.",
            )
        return address, str(told.get("door", ""))

    def _heard(self) -> tuple[Status | None, str]:
        """What the daemon is at; None: none runs, or the sentence says why it is not known."""
        from backupkeeper.report.status import status_from_json  # noqa: PLC0415 - as above

        told = ask(self._ear, "status")
        if told is not None and "status" in told:
            with suppress(ListingError):
                return status_from_json(told["status"]), ""
            return None, OTHER_DAEMON
        with suppress(BackupkeeperError):  # a lock that can't be looked at stops no report
            if self._context.locks.holder("daemon") is not None:
                return None, SILENT_DAEMON
        return None, ""

    @property
    def _ear(self) -> str:
        return f"{self._context.config.catalog.path}.locks"
