"""What a restore will take from where, and what it came to. Pure.

Promises:
1. Proven copies come before unproven ones, and among equally good ones those that cost nothing: drives
   that are here, then buckets from the cheapest, then what must be thawed first.
2. Among equally good drives the work is shared out, so that all of them are at work.
3. A cost is only told where every price that it needs is known.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from typing import Final

from backupkeeper.core.model import Copy, CopyState, PlaceId
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.ranges import Ranges

_WORTH: Final = {
    CopyState.PROVEN: 0,
    CopyState.DUE: 0,
    CopyState.WRITTEN: 1,
    CopyState.DAMAGED: 2,
}
"""A copy that is damaged may still have most of its blocks right: it is asked last."""
MAY_GIVE: Final = frozenset(_WORTH)
"""States of a copy that may have a block right."""
TINY_BYTES: Final = 10_000_000
TINY_REQUESTS: Final = 1_000


def worth(copy: Copy) -> int:
    """What a copy is worth as a source; the lowest is best. Only for those that may give."""
    return _WORTH[copy.state]


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """What a person wants back. ``what`` None: everything; ``source``: from this place only.

    ``to`` is the folder. ``tier`` and ``keep_days`` are for what must be thawed: how urgently, and for
    how many days the store keeps it thawed.
    """

    what: str | None
    to: str
    source: str | None = None
    tier: str = "Standard"
    keep_days: int = 7
    wait: bool = False
    """Whether to wait until all is thawed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """A copy that a file may be taken from.

    ``price`` is what a byte of it costs, None where that is not known; ``asleep``: its bytes can't be
    had before the store was asked to thaw it; ``shelf`` is its storage class, empty on a drive.
    """

    copy: Copy
    is_bucket: bool = False
    shelf: str = ""
    asleep: bool = False
    thawing: bool = False
    """It was asked to be thawed before, and that goes on."""
    price: Decimal | None = None

    @property
    def rank(self) -> tuple[int, bool, bool, bool, Decimal]:
        """Those to take first have the lowest."""
        dear = self.price is None
        return (
            worth(self.copy),
            self.asleep,
            self.is_bucket,
            self.is_bucket and dear,
            (self.price or Decimal(0)) if self.is_bucket else Decimal(0),
        )


class Shares:
    """Who gives what, so that drives that are equally good all get their share."""

    def __init__(self) -> None:
        self._given: dict[PlaceId, int] = {}

    def ordered(self, sources: Iterable[Source], size: int) -> tuple[Source, ...]:
        """The sources of one file, the one to take it from first; counts the file as that one's."""
        order = sorted(
            sources,
            key=lambda one: (one.rank, self._given.get(one.copy.place, 0), one.copy.place),
        )
        if order:
            first = order[0].copy.place
            self._given[first] = self._given.get(first, 0) + size + 1
        return tuple(order)


@dataclass(frozen=True, kw_only=True, slots=True)
class Portion:
    """What comes from one place. ``cost`` is None where a price is lacking, ``seconds`` a rate."""

    place: str
    is_bucket: bool
    files: int
    size_bytes: int
    seconds: float | None = None
    cost: Decimal | None = None
    requests: int = 0
    asleep_files: int = 0
    asleep_bytes: int = 0
    """What of it must be thawed first."""

    @property
    def is_tiny(self) -> bool:
        """Whether it would cost next to nothing at any price."""
        return self.size_bytes <= TINY_BYTES and self.requests <= TINY_REQUESTS


@dataclass(frozen=True, kw_only=True, slots=True)
class RestorePlan:
    """What would be done, before anything is.

    ``there_files`` stand in the folder already, with the right size: they are compared. ``other`` are
    paths where something else stands. ``homeless`` are paths of which no copy can be reached now.
    """

    what: str
    to: str
    files: int
    size_bytes: int
    portions: tuple[Portion, ...]
    there_files: int = 0
    there_bytes: int = 0
    other: tuple[str, ...] = ()
    homeless: tuple[str, ...] = ()
    away: tuple[str, ...] = ()
    """Sentences about places that can't be asked now."""
    needed_bytes: int = 0
    free_bytes: int = 0
    currency: str = ""

    @property
    def asleep_files(self) -> int:
        """How many files must be thawed first."""
        return sum(one.asleep_files for one in self.portions)

    @property
    def fits(self) -> bool:
        """Whether there is room."""
        return self.needed_bytes <= self.free_bytes

    @property
    def cost(self) -> Decimal | None:
        """What it costs in all; None where a price that it needs is not known."""
        costs = [one.cost for one in self.portions]
        return None if any(cost is None for cost in costs) else sum(filter(None, costs), Decimal(0))

    @property
    def seconds(self) -> float | None:
        """How long it takes: places give side by side; None where a rate is not known."""
        times = [one.seconds for one in self.portions if one.files]
        known = [one for one in times if one is not None]
        return max(known, default=0.0) if len(known) == len(times) else None

    @property
    def wants_word(self) -> bool:
        """Whether it costs money, or is not known not to, or has something thawed.

        What is tiny by size and by requests costs next to nothing anywhere (common practice, no source).
        """
        return bool(self.asleep_files) or any(
            one.cost or (one.cost is None and one.is_bucket and not one.is_tiny)
            for one in self.portions
        )


Agree = Callable[[RestorePlan], bool]
"""Shown the plan before anything is done; False: nothing is."""


class Fate(StrEnum):
    """What became of one file that is not simply there now."""

    OTHER = "something else stands there"
    LOST = "no copy has all of it right"
    HOMELESS = "no copy can be reached"
    FAILED = "could not be brought"
    THAWING = "is being thawed"


@dataclass(frozen=True, kw_only=True, slots=True)
class NotThere:
    """A file that was asked for and is not there now. ``lost`` are half-open byte ranges."""

    path: str
    size: int
    fate: Fate
    why: str = ""
    lost: Ranges = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class RestoreOutcome:
    """What a restore came to. ``plan`` is what was said before."""

    plan: RestorePlan
    done: bool
    """False: only told, or the person did not want it."""
    restored_files: int = 0
    restored_bytes: int = 0
    kept_files: int = 0
    """Files that stood there already, and are right: they were read and compared."""
    taken: Mapping[str, int] = field(default_factory=dict)
    """Bytes that came from each place, by its name."""
    not_there: tuple[NotThere, ...] = ()
    histories: tuple[str, ...] = ()
    """Rolls with their manifests, by folder."""
    renamed: tuple[tuple[str, str], ...] = ()
    """Paths that the file system there can't hold as they are -> what they became."""
    not_cold: str = ""
    """Why what was written could not be read back from the medium."""
    notes: tuple[str, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    come_again: str = ""
    """When what is being thawed is worth coming back for."""
    seconds: float = 0.0

    @property
    def all_well(self) -> bool:
        """Whether everything asked for is there now, proven."""
        return self.done and not (self.not_there or self.troubles or self.not_cold or self.notes)
