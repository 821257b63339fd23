"""What the Keeper gives back: what somebody delivered, checked and taken in."""

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import TypeVar

from backupkeeper.actions.bring_in import bring_in, check_delivery
from backupkeeper.actions.context import Context
from backupkeeper.actions.offload_plan import Request
from backupkeeper.core.delivering import DeliveryOutcome
from backupkeeper.ports.progress import Progress
from backupkeeper.wiring.restoring import whole_path

_T = TypeVar("_T")


class Delivering(ABC):
    """A part of the Keeper."""

    _context: Context

    @abstractmethod
    def _worked(self, deed: Callable[[], _T], progress: Progress, *, buckets: bool = False) -> _T:
        """Do it, and then keep a snapshot of what is known now."""

    def check_delivery(self, folder: str, *, progress: Progress) -> DeliveryOutcome:
        """See ``actions.bring_in.check_delivery``; links in ``folder`` resolved."""
        return check_delivery(self._context, whole_path(folder), progress)

    def bring_in(
        self,
        folder: str,
        *,
        shoot: str,
        source: str,
        roll: str | None,
        as_it_is: bool,
        progress: Progress,
    ) -> DeliveryOutcome:
        """See ``actions.bring_in.bring_in``; links in ``folder`` resolved."""
        request = Request(card=whole_path(folder), shoot=shoot, source=source, roll=roll)
        return self._worked(
            lambda: bring_in(self._context, request, progress, as_it_is=as_it_is), progress
        )
