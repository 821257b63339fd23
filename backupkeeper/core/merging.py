"""Two catalogs made one: what stays each machine's own, what a person asks for, what came of it. Pure.

Rule: what is known of the world is shared (what a drive says of itself, how a place stands, that a
manifest stands in a bucket); what a machine did, saw plugged in, or told its person is its own.
"""

from dataclasses import dataclass
from typing import Final

from backupkeeper.core.model import EventKind
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.rebuilding import TakenSnapshot, UnusableSnapshot

OWN_EVENTS: Final = frozenset(
    {
        *(EventKind.SEEN, EventKind.TOLD, EventKind.RAN, EventKind.FAILED, EventKind.WORKED),
        *(EventKind.CARD_TAKEN, EventKind.CARD_JUDGED, EventKind.AWAY, EventKind.PROOF_TIME),
        *(EventKind.MOVED, EventKind.POSTERS, EventKind.DOUBTED, EventKind.SNAPSHOT),
        EventKind.HEARD,
    }
)
"""Never taken over. Mounts, budgets, rates, posters and mails are one machine's; and which of *its*
snapshots a place has, or another's would keep ours from being written."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MergeWish:
    """What the person asks for: files, folders, drives or buckets by name, ``s3://`` addresses."""

    sources: tuple[str, ...]
    endpoint: str | None = None
    profile: str | None = None
    dry_run: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class MergeOutcome:
    """What was taken over from where, and what could not be used. With ``dry_run``: would be."""

    dry_run: bool
    sources: tuple[str, ...]
    taken: tuple[TakenSnapshot, ...]
    unusable: tuple[UnusableSnapshot, ...]
    troubles: tuple[Trouble, ...] = ()

    @property
    def all_well(self) -> bool:
        """Whether something was there, and nothing of it had to be refused."""
        return bool(self.taken) and not self.unusable and not self.troubles
