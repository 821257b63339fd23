"""What the Keeper knows of everything at once, for the report."""

from collections.abc import Mapping
from dataclasses import replace

from tzlocal import get_localzone

from backupkeeper.actions.context import Context
from backupkeeper.actions.overview import overview
from backupkeeper.core.errors import OutOfReachError, UsageError
from backupkeeper.core.hours import next_week
from backupkeeper.core.overview import Overview
from backupkeeper.core.status import Status
from backupkeeper.daemon.control import ask
from backupkeeper.wiring.showing import show
from backupkeeper.wiring.telling import ear_of, heard


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
        from backupkeeper.daemon.without import status_without_daemon  # noqa: PLC0415 - as above

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
        return heard(self._context.config, self._context.locks)

    @property
    def _ear(self) -> str:
        return ear_of(self._context.config)
