"""What the Keeper knows of everything at once, for the report."""

from tzlocal import get_localzone

from backupkeeper.actions.context import Context
from backupkeeper.actions.overview import overview
from backupkeeper.core.errors import OutOfReachError, UsageError
from backupkeeper.core.hours import next_week
from backupkeeper.core.overview import Overview
from backupkeeper.core.status import Status
from backupkeeper.daemon.control import ask


class Overseeing:
    """A part of the Keeper."""

    _context: Context

    def overview(self) -> Overview:
        """See ``actions.overview``; what a running daemon says is in it."""
        from backupkeeper.daemon.shares import Shares  # noqa: PLC0415 - only here is so much needed

        tz, now = get_localzone(), self._context.clock.now()
        status = self._heard()
        weekly = self._context.config.report.weekly
        due = status is not None and weekly is not None
        return overview(
            self._context,
            tz=tz,
            status=status,
            next_at=next_week(weekly, now, tz) if due and weekly is not None else None,
            notes=Shares(self._context, tz).slow(now),
        )

    def page_address(self) -> str:
        """Where the daemon serves its live page.

        Raises:
            UsageError: the configuration has it off.
            OutOfReachError: no daemon runs, or it could not serve it.
        """
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
        return address

    def _heard(self) -> Status | None:
        """What the daemon is at; None: none runs, or none answers."""
        from backupkeeper.report.status import status_from_json  # noqa: PLC0415 - as above

        told = ask(self._ear, "status")
        return None if told is None or "status" not in told else status_from_json(told["status"])

    @property
    def _ear(self) -> str:
        return f"{self._context.config.catalog.path}.locks"
