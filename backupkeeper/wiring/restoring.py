"""What the Keeper gives back: restores and what they cost."""

import os
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from backupkeeper.actions.context import Context
from backupkeeper.actions.costing import costs
from backupkeeper.actions.drill import drill
from backupkeeper.actions.handover import hand_over
from backupkeeper.actions.restore import restore
from backupkeeper.core.drilling import DrillOutcome
from backupkeeper.core.errors import UsageError
from backupkeeper.core.handing import Handing, HandoverOutcome
from backupkeeper.core.prices import BucketCost
from backupkeeper.core.restoring import Agree, Asked, RestoreOutcome, RestorePlan
from backupkeeper.ports.progress import Progress
from backupkeeper.system.files import RealFiles

_T = TypeVar("_T")


class Restoring(ABC):
    """A part of the Keeper."""

    _context: Context
    _pause: Callable[[float], None]

    @abstractmethod
    def _giving_way(self, deed: Callable[[], _T]) -> _T:
        """Do it; where a daemon holds a place, ask it to let go."""

    def restore(self, asked: Asked, *, agree: Agree, progress: Progress) -> RestoreOutcome:
        """See ``actions.restore.restore``; ``what`` as in ``verify``, links in ``to`` resolved."""
        wanted = replace(asked, what=meant(asked.what), to=whole_path(asked.to))
        once = _once(agree)
        return self._giving_way(
            lambda: restore(self._context, wanted, once, progress, pause=self._pause)
        )

    def hand_over(
        self, asked: Asked, handing: Handing, *, agree: Agree, progress: Progress
    ) -> HandoverOutcome:
        """See ``actions.handover.hand_over``; ``what`` as in ``verify``, links in ``to`` resolved."""
        wanted = replace(asked, what=meant(asked.what), to=whole_path(asked.to))
        once = _once(agree)
        return self._giving_way(
            lambda: hand_over(self._context, wanted, handing, once, progress, pause=self._pause)
        )

    def drill(self, asked: Asked, *, agree: Agree, progress: Progress) -> DrillOutcome:
        """See ``actions.drill.drill``; links in ``to`` resolved."""
        wanted, once = replace(asked, to=whole_path(asked.to)), _once(agree)
        return self._giving_way(
            lambda: drill(
                self._context,
                wanted,
                once,
                progress,
                pause=self._pause,
                remove_folder=RealFiles().remove_folder,
            )
        )

    def costs(self, name: str | None) -> tuple[BucketCost, ...]:
        """See ``actions.costing.costs``."""
        return costs(self._context, name)


def _once(agree: Agree) -> Agree:
    """Asks only the first time, not again after a place was waited for."""
    said: list[bool] = []

    def once(plan: RestorePlan) -> bool:
        said[:] = said or [agree(plan)]
        return said[0]

    return once


def wait_really(seconds: float) -> None:
    """Wait for so many seconds; nothing wakes it."""
    threading.Event().wait(seconds)


def meant(what: str | None) -> str | None:
    """What a person named: something that exists as a path is taken as one."""
    looks_like_path = what is not None and (
        os.path.isabs(what) or what in {".", ".."} or ("/" in what and os.path.lexists(what))
    )
    return os.path.realpath(what) if what is not None and looks_like_path else what


def whole_path(path: str) -> str:
    """A path that a person named, absolute, its links resolved.

    Raises:
        UsageError: it is empty, as a variable that was never set: it does not mean the folder one is in.
    """
    if not path:
        raise UsageError("A folder was named that has no name.", advice="Type the whole path.")
    return os.path.realpath(path)
