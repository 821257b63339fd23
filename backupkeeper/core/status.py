"""What the daemon is at, as plain values: the loop makes them, ``report.status`` puts them in words."""

from dataclasses import dataclass
from datetime import datetime

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.deeds import DeedKind


@dataclass(frozen=True, kw_only=True, slots=True)
class DriveStatus:
    """A place that is here, or an active drive that is not (``point`` empty)."""

    name: str
    role: str
    point: str = ""
    free_bytes: int | None = None
    last_seen: datetime | None = None
    note: str = ""
    is_bare: bool = False
    """It is here without its marker, so it counts as not here; ``note`` says so."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CardStatus:
    """A card that is in a reader. ``may_wipe``: the last verdict on it, None: none yet."""

    point: str
    label: str
    source: str | None
    files: int
    size_bytes: int
    taken: bool
    may_wipe: bool | None
    judged_at: datetime | None
    note: str = ""
    token: str = ""
    """Names this very mount of it."""
    asked: bool = False
    """A verdict was asked for and is not there yet."""
    heard: bool | None = None
    """What the last verdict said, asked for or not; None: none yet, or it came to none (``failure``)."""
    heard_at: datetime | None = None
    reasons: tuple[str, ...] = ()
    """Sentences: what spoke against; with a yes, what it does not say."""
    failure: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DeedStatus:
    """A deed under way. ``bytes_a_second`` None: not measured yet; ``seconds_left`` None: not known."""

    kind: DeedKind
    what: str
    why: str
    since: datetime
    stage: str
    bytes_done: int
    bytes_total: int
    files_done: int
    files_total: int
    bytes_a_second: float | None
    seconds_left: float | None
    path: str = ""
    held: bool = False
    stopping: bool = False
    card: str = ""
    """Token of the card that it is about."""
    proven_files: int = 0
    """Of a card that is being judged: files read of which nothing speaks against. No answer yet."""
    against_files: int = 0
    against: tuple[str, ...] = ()
    """Sentences on the first few of these."""


@dataclass(frozen=True, kw_only=True, slots=True)
class WaitStatus:
    """A deed that waits. ``seconds`` is how long it would take at the measured rate, if one is known."""

    kind: DeedKind
    what: str
    why: str
    size_bytes: int
    seconds: float | None = None
    person: bool = False
    card: str = ""
    """Token of the card that it is about."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LineStatus:
    """The line to the buckets. ``no_upload``: why no upload may go on; empty where they may.

    ``limit_bytes_s`` None: the whole line; ``changes_at``: when a window opens or closes next;
    ``is_metered`` None: not known.
    """

    no_upload: str = ""
    limit_bytes_s: int | None = None
    changes_at: datetime | None = None
    is_metered: bool | None = None
    down: tuple[str, ...] = ()
    """Sentences: lines to buckets that are down, since when, and when they are tried again."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Status:
    """Everything. ``process`` None: no daemon runs (or see ``unheard``), and only facts are told."""

    at: datetime
    process: int | None
    since: datetime | None
    paused_until: datetime | None
    may_upload: bool
    line: LineStatus
    proof_seconds: float
    drives: tuple[DriveStatus, ...]
    cards: tuple[CardStatus, ...]
    strangers: tuple[str, ...]
    """Sentences: media that are none of ours, or that do not answer."""
    under_way: tuple[DeedStatus, ...]
    waiting: tuple[WaitStatus, ...]
    failing: tuple[str, ...]
    """Sentences: what failed and when it is tried again."""
    damage: tuple[str, ...]
    rolls_with_gaps: int
    bytes_to_go: int
    rolls: int | None = None
    """How many rolls are known; None: not counted."""
    drill: str = ""
    """A sentence: the last restore drill, or that there was none."""
    arrivals: tuple[Arrival, ...] = ()
    """When each bucket will have what it lacks."""
    advice: tuple[str, ...] = ()
    """Sentences: drives whose proofs can't keep up, and drives that should be replaced."""
    notes: tuple[str, ...] = ()
    """Sentences to be told quietly: buckets that were not checked for long, and what is wrong there."""
    unheard: str = ""
    """A sentence, where a daemon runs and what it is at could not be had from it; ``process`` is None then."""
