"""One thing that could be done, and the list of them with what waits and for what."""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final

from backupkeeper.core.deeds import Deed, Waiting
from backupkeeper.core.model import PlaceId

LONG_AGO: Final = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """A deed that could be done, with what its place in the order follows from."""

    deed: Deed
    part: int = 0
    """Within its kind: the smaller the sooner."""
    fewest: int = 0
    shoot: str = ""
    since: datetime = LONG_AGO


@dataclass(kw_only=True)
class Wishes:
    """What could be done, in order, and what can't be, with its reason."""

    ready: list[Wish] = field(default_factory=list)
    waiting: list[Waiting] = field(default_factory=list)
    wake_at: datetime | None = None

    def wait(
        self,
        deed: Deed,
        why: str,
        at: datetime | None = None,
        *,
        full: PlaceId | None = None,
        person: bool = False,
    ) -> None:
        """Note what a deed waits for, and when that ends by itself."""
        self.waiting.append(Waiting(deed=deed, why=why, full=full, person=person))
        if at is not None and (self.wake_at is None or at < self.wake_at):
            self.wake_at = at
