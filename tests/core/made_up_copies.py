"""Made-up places, facts and rolls of the boat yard, one line each, for the tests of core."""

from datetime import UTC, datetime, timedelta
from typing import Any

from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Role,
    Roll,
    RollFile,
    RollHead,
    RollId,
    Standing,
    Way,
)

NOW = datetime(2026, 6, 12, 18, 0, tzinfo=UTC)
DAY = timedelta(days=1)
CLIP = Blake3("c1" * 32)
SOUND = Blake3("50" * 32)
MAIN, TRAVEL, VAULT = PlaceId("main"), PlaceId("travel"), PlaceId("vault")
FOLDER = "260612 Boatyard/Originals/Wide/Roll 01"
PATH = f"{FOLDER}/DCIM/CLIP0001.MP4"


def place(
    name: str,
    role: Role = Role.PRIMARY,
    *,
    device: str | None = "its own",
    standing: Standing = Standing.ACTIVE,
) -> Place:
    return Place(
        id=PlaceId(name),
        name=name,
        role=role,
        kind=PlaceKind.BUCKET if role is Role.CLOUD else PlaceKind.DRIVE,
        created_at=NOW - 400 * DAY,
        location=f"/media/{name}",
        standing=standing,
        device=f"device of {name}" if device == "its own" else device,
    )


def mapped(*places: Place) -> dict[PlaceId, Place]:
    return {one.id: one for one in places}


PLACES = mapped(
    place(MAIN), place(TRAVEL, Role.SECONDARY), place(VAULT, Role.CLOUD, device="store/vault")
)


def fact(way: Way, days_ago: float = 0, result: Result = Result.MATCHES, **changes: Any) -> Fact:
    values: dict[str, Any] = {
        "at": NOW - days_ago * DAY,
        "place": MAIN,
        "path": PATH,
        "content": CLIP,
        "cold": way in {Way.READBACK, Way.REHASH},
    }
    return Fact(way=way, result=result, **(values | changes))


def copy(
    where: PlaceId,
    state: CopyState = CopyState.PROVEN,
    *,
    content: Blake3 = CLIP,
    days_ago: float = 1,
    path: str = PATH,
) -> Copy:
    proof = fact(Way.REHASH, days_ago, place=where, path=path, content=content)
    counts = state in {CopyState.PROVEN, CopyState.DUE}
    return Copy(
        place=where, path=path, content=content, state=state, proof=proof if counts else None
    )


def roll(
    *files: tuple[str, Blake3, int], name: str = "Roll 01", shoot: str = "260612 Boatyard"
) -> Roll:
    return Roll(
        head=RollHead(
            id=RollId(f"id of {shoot} {name}"),
            shoot=shoot,
            source="Wide",
            name=name,
            folder=f"{shoot}/Originals/Wide/{name}",
            sealed_at=NOW,
            file_count=len(files),
            size_bytes=sum(size for _, _, size in files),
        ),
        files=tuple(
            RollFile(path=path, content=content, size=size, mtime_ns=0)
            for path, content, size in files
        ),
    )
