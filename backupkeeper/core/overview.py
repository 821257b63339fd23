"""How everything stands, as plain values: the one thing that terminal, JSON, page and mail are made of. Pure.

``actions.overview`` gathers it, ``report`` puts it in words and pictures. No number of it is worked
out twice, so all four say the same.

Times are UTC, sizes bytes.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.drilling import Drilled
from backupkeeper.core.model import Blake3, Place, Result, Role, RollId
from backupkeeper.core.outcomes import GapReport
from backupkeeper.core.prices import BucketCost
from backupkeeper.core.status import Status
from backupkeeper.core.trends import Advice


class Worry(StrEnum):
    """How much there is to worry about, least first."""

    NONE = "none"
    """Every roll is proven in every role, and nothing is wrong."""
    SOON = "soon"
    """Something falls short; nothing is in danger before it is dealt with."""
    NOW = "now"
    """Something may be lost: a file with no proven copy at all, damage that is not mended, a drive that fails."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One thing to do, in words, with the command that does it (empty: nothing to type)."""

    words: str
    command: str = ""
    rolls: int = 0
    """How many rolls it is about; 0: none in particular."""
    worry: Worry = Worry.SOON


@dataclass(frozen=True, kw_only=True, slots=True)
class Filling:
    """When a drive will be full at the present rate.

    ``shoots_left``: how many more shoots of the usual size fit. ``earliest`` and ``latest``: when it
    will be full; both None: not within ten years, or not to be known (then ``why`` says why).
    """

    shoots_left: float | None = None
    earliest: datetime | None = None
    latest: datetime | None = None
    why: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DriveLine:
    """A drive or folder among the places."""

    place: Place
    is_here: bool
    held_files: int
    held_bytes: int
    free_bytes: int | None = None
    """As it was at ``free_at``; None: never looked at."""
    free_at: datetime | None = None
    last_seen: datetime | None = None
    last_proven: datetime | None = None
    """When any copy on it was last proven."""
    oldest_proof: datetime | None = None
    """The oldest among the newest proofs of its copies; None: nothing on it is proven."""
    advice: Advice | None = None
    """What speaks against it; None: nothing bad is known of it (which is not the same as healthy)."""
    in_doubt: bool = False
    is_bare: bool = False
    """It is here, without its marker."""
    snapshot_at: datetime | None = None
    filling: Filling = field(default_factory=Filling)


@dataclass(frozen=True, kw_only=True, slots=True)
class BucketLine:
    """A bucket among the places."""

    place: Place
    held_files: int
    held_bytes: int
    checked_at: datetime | None = None
    last_proven: datetime | None = None
    oldest_proof: datetime | None = None
    fetched_files: int = 0
    """How many of its objects were fetched back and matched, ever."""
    arrival: Arrival | None = None
    """When it will have what it lacks; None: it lacks nothing."""
    cost: BucketCost | None = None
    """By the person's prices; None: none are set."""
    snapshot_at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Harm:
    """One copy that was found hurt, newest first; mended or not.

    ``hurt_bytes`` None: the whole file, or not known. ``mended_at`` None: not mended till now.
    """

    place: str
    folder: str
    """Of the roll."""
    path: str
    """Below the place's root."""
    content: Blake3
    result: Result
    found_at: datetime
    size_bytes: int
    hurt_bytes: int | None = None
    mended_at: datetime | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ProofAge:
    """Copies of one role whose newest proof is of an age: from so many days (included) to so many (not).

    ``days_to`` None: older than all others. ``days_from`` None: no proof of them counts (never proven,
    found bad since, or written anew).
    """

    role: Role
    days_from: int | None
    days_to: int | None
    files: int
    size_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Level:
    """What had come together until a moment: taken off cards, and for the first time proven in each role."""

    at: datetime
    taken_bytes: int
    proven_bytes: Mapping[Role, int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Clip:
    """A file of a roll, where it is worth showing: what it is called there, and what its bytes are called."""

    path: str
    content: Blake3
    size_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Overview:
    """Everything. ``gaps`` holds every roll against every role, worst first."""

    at: datetime
    gaps: GapReport
    worry: Worry
    steps: tuple[Step, ...]
    """What to do, most urgent first."""
    drives: tuple[DriveLine, ...]
    buckets: tuple[BucketLine, ...]
    harms: tuple[Harm, ...] = ()
    """Of the last year, and older ones that are not mended; newest first."""
    drills: tuple[Drilled, ...] = ()
    """Newest first."""
    drill_due: str = ""
    """A sentence, where one is due."""
    proof_ages: tuple[ProofAge, ...] = ()
    levels: tuple[Level, ...] = ()
    """Oldest first, at most some hundred."""
    status: Status | None = None
    """What the daemon is at; None: none runs, or see ``unheard``."""
    unheard: str = ""
    """A sentence, where a daemon runs and what it is at could not be had from it."""
    next_at: datetime | None = None
    """When the next weekly report is due; None: there is none, or no daemon that would send it."""
    clips: Mapping[RollId, tuple[Clip, ...]] = field(default_factory=dict)
    """Files of the newest rolls that may be clips or sound, for the contact sheets."""
    notes: tuple[str, ...] = ()
    """Sentences to be told quietly."""
