"""What a voyage is made of: cards, drives, work under way, and the numbers of its world."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from backupkeeper.core.deeds import Deed
from backupkeeper.core.model import Blake3, Place, PlaceId, PlaceKind, Role
from backupkeeper.core.policy import Policy

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
    rotten: set[str] = field(default_factory=set)
    """Paths of copies whose bytes are not what they were."""

    def token(self) -> str:
        return f"{self.place.id}#{self.mount}"


@dataclass
class Job:
    deed: Deed
    since: datetime
    left_s: float
    tokens: frozenset[str]
    held: bool = False
    held_since: datetime | None = None
    stopping: bool = False
    taken_s: float = 0.0


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
