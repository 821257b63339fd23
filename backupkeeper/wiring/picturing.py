"""What the Keeper does about posters."""

from backupkeeper.actions.context import Context
from backupkeeper.actions.posters import posters, posters_after
from backupkeeper.core.outcomes import OffloadOutcome
from backupkeeper.core.posters import PostersOutcome
from backupkeeper.ports.progress import Progress
from backupkeeper.wiring.restoring import meant


class Picturing:
    """A part of the Keeper."""

    _context: Context

    def posters(self, what: str | None, *, progress: Progress) -> PostersOutcome:
        """See ``actions.posters.posters``; ``what`` as in ``verify``."""
        return posters(self._context, meant(what), progress)

    def posters_after(self, outcome: OffloadOutcome, *, progress: Progress) -> tuple[str, ...]:
        """The posters of the rolls that a card lies in now; sentences on what could not be made.

        Nothing where they are turned off.
        """
        if not self._context.config.report.posters:
            return ()
        return posters_after(self._context, outcome, progress).waiting
