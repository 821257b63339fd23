"""What the Keeper takes over from other catalogs: after a loss, or from another machine."""

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from backupkeeper.actions.context import Context
from backupkeeper.actions.merge import merge_catalogs
from backupkeeper.actions.rebuild import rebuild
from backupkeeper.core.merging import MergeOutcome, MergeWish
from backupkeeper.core.rebuilding import RebuildOutcome, RebuildWish
from backupkeeper.ports.progress import Progress
from backupkeeper.wiring.restoring import meant, whole_path

_T = TypeVar("_T")


class Merging(ABC):
    """A part of the Keeper."""

    _context: Context

    @abstractmethod
    def _giving_way(self, deed: Callable[[], _T]) -> _T:
        """Do it; a place that the daemon uses is asked for."""

    def rebuild(self, wish: RebuildWish, *, progress: Progress) -> RebuildOutcome:
        """See ``actions.rebuild.rebuild``; folders are resolved first."""
        sources = tuple(one if one.startswith("s3://") else whole_path(one) for one in wish.sources)
        asked = replace(wish, sources=sources)
        return self._giving_way(lambda: rebuild(self._context, asked, progress))

    def merge(self, wish: MergeWish, *, progress: Progress) -> MergeOutcome:
        """See ``actions.merge.merge_catalogs``; something that exists as a path is taken as one."""
        sources = tuple(
            one if one.startswith("s3://") else meant(one) or one for one in wish.sources
        )
        asked = replace(wish, sources=sources)
        return self._giving_way(lambda: merge_catalogs(self._context, asked, progress))
