"""What the Keeper does about posters, and about the page that shows them."""

from collections.abc import Mapping

from backupkeeper.actions.context import Context
from backupkeeper.actions.posters import posters, posters_after, posters_of
from backupkeeper.actions.report_file import write_report
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import Blake3
from backupkeeper.core.outcomes import OffloadOutcome
from backupkeeper.core.overview import Overview
from backupkeeper.core.posters import Poster, PostersOutcome
from backupkeeper.ports.progress import Progress
from backupkeeper.wiring.restoring import meant, whole_path


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

    def pictures(self, overview: Overview) -> Mapping[Blake3, Poster]:
        """The posters that there are of an overview's clips."""
        found = {clip.content for clips in overview.clips.values() for clip in clips}
        return posters_of(self._context, found)

    def write_report(self, path: str, page: str) -> str:
        """See ``actions.report_file``; where it stands now, whole."""
        from backupkeeper.report.page import BEGINNING  # noqa: PLC0415 - only here is so much needed

        if not path:
            raise UsageError("--html needs the name of a file.")
        whole = whole_path(path)
        write_report(self._context, whole, page.encode(), BEGINNING.encode())
        return whole
