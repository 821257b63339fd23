"""What a voyage is made of: cards, drives, work under way, and the numbers of its world."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.model import Blake3, Place, PlaceId, PlaceKind, Result, Role
from backupkeeper.core.policy import Policy
from backupkeeper.core.ranges import Ranges, blocks_of

BEGIN = datetime(2026, 6, 12, 8, tzinfo=UTC)
GB = 10**9
DISK_RATE, LINE_RATE = 100_000_000, 3_000_000
"""Bytes a second."""
POLICY = Policy()
LEAD = timedelta(days=14)


@dataclass
class Card:
    token: str
    files: list[tuple[str, Blake3, int]]
    taken: tuple[str, ...] | None = None
    judged: tuple[datetime, bool] | None = None


@dataclass
class Drive:
    place: Place
    free: int
    mount: int | None = None

    def token(self) -> str:
        return f"{self.place.id}#{self.mount}"


@dataclass(frozen=True)
class Rot:
    """What is wrong with a copy, whether anybody knows it or not."""

    result: Result
    damage: Ranges
    since: datetime

    @property
    def hurt(self) -> frozenset[int]:
        """Its blocks."""
        return frozenset(blocks_of(self.damage))


@dataclass
class Job:
    deed: Deed
    since: datetime
    left_s: float
    tokens: frozenset[str]
    known: int = 0
    """Number of facts about its roll when it was begun."""
    held: bool = False
    held_since: datetime | None = None
    stopping: bool = False
    taken_s: float = 0.0
    failed: set[str] = field(default_factory=set)
    """What its failures are counted under, where it came to an end all the same."""


def place(name: str, role: Role, device: str = "") -> Place:
    return Place(
        id=PlaceId(name),
        name=name,
        role=role,
        kind=PlaceKind.BUCKET if role is Role.CLOUD else PlaceKind.DRIVE,
        created_at=BEGIN,
        location=f"/media/{name}",
        device=device or f"device of {name}",
    )


def name(*numbers: int) -> Blake3:
    return Blake3("".join(f"{number:08x}" for number in numbers).ljust(64, "0"))


DRILLS = timedelta(days=30)
"""After so long a shoot is brought back again."""


def seconds_for(deed: Deed) -> float:
    """How long it takes where nothing comes between."""
    if deed.kind is DeedKind.UPLOAD and deed.source is None:
        return max(1.0, float(deed.files))  # it only looks
    rate = LINE_RATE if deed.kind is DeedKind.UPLOAD else DISK_RATE
    return max(1.0, deed.size_bytes / rate)
