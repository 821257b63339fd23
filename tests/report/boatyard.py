"""A made-up world for reports: two days at a wooden-boat yard, three places, one card."""

from datetime import UTC, datetime, timedelta, timezone

from backupkeeper.core.model import (
    Blake3,
    CopyState,
    Place,
    PlaceId,
    PlaceKind,
    Role,
    RollHead,
    RollId,
    Way,
)
from backupkeeper.core.outcomes import (
    Answer,
    GapReport,
    JudgedFile,
    OffloadOutcome,
    Reason,
    RoleCover,
    RoleProof,
    RollCover,
    Verdict,
)
from backupkeeper.report.lines import Line, Look

NOW = datetime(2026, 6, 14, 7, 12, tzinfo=UTC)
SUMMER = timezone(timedelta(hours=2))
CARD = "/media/me/WIDE"
MAIN, TRAVEL, OFF_SITE = PlaceId("id-main"), PlaceId("id-travel"), PlaceId("id-off-site")
NAMES = {MAIN: "Main", TRAVEL: "Travel", OFF_SITE: "Off site"}
HOME = {Role.PRIMARY: MAIN, Role.SECONDARY: TRAVEL, Role.CLOUD: OFF_SITE}
PROVEN_WAY = {
    Role.PRIMARY: Way.READBACK,
    Role.SECONDARY: Way.REHASH,
    Role.CLOUD: Way.ATTESTED,
}
ESCAPING = "DCIM/\x1b[2J\x1b[31mYES\n\u202egnp.\udcff.MP4"
"""A name that clears the screen, colours it, breaks the line and turns the reading direction."""


def look(width: int = 80, *, ascii_only: bool = False, most_paths: int = 10) -> Look:
    return Look(width=width, unicode=not ascii_only, zone=SUMMER, most_paths=most_paths)


def text(lines: list[Line]) -> str:
    return "\n".join(line.text for line in lines)


def flat(lines: list[Line]) -> str:
    """One line, to look for sentences however they are broken."""
    return " ".join(text(lines).split())


def proof(role: Role, state: CopyState = CopyState.PROVEN, *, days: int = 2) -> RoleProof:
    dated = state in {CopyState.PROVEN, CopyState.DUE}
    return RoleProof(
        state=state,
        place=None if state is CopyState.ABSENT else HOME[role],
        proof=PROVEN_WAY[role] if dated else None,
        at=NOW - timedelta(days=days) if dated else None,
    )


def judged(path: str, *, size: int = 1_200_000_000, **states: CopyState) -> JudgedFile:
    return JudgedFile(
        path=path,
        size=size,
        content=Blake3("ab" * 32),
        roles={role: proof(role, states.get(role.value, CopyState.PROVEN)) for role in Role},
    )


def verdict(
    *files: JudgedFile,
    reasons: tuple[Reason, ...] = (),
    asked: tuple[Role, ...] = tuple(Role),
    still_missing: dict[Role, int] | None = None,
    left_out: tuple[tuple[str, str], ...] = (),
    warnings: tuple[str, ...] = (),
    card: str = CARD,
) -> Verdict:
    return Verdict(
        card=card,
        at=NOW,
        answer=Answer.NO if reasons else Answer.YES,
        asked=asked,
        reasons=reasons,
        files=files,
        still_missing=still_missing or {},
        left_out=left_out,
        warnings=warnings,
    )


CLIPS = ("DCIM/100BOATY/BOAT0001.MP4", "DCIM/100BOATY/BOAT0002.MP4")


def head(shoot: str = "260612 Boatyard", source: str = "Wide", name: str = "Roll 01") -> RollHead:
    return RollHead(
        id=RollId(f"{shoot}{source}{name}"),
        shoot=shoot,
        source=source,
        name=name,
        folder=f"{shoot}/Originals/{source}/{name}",
        sealed_at=NOW - timedelta(days=2),
        file_count=40,
        size_bytes=3_200_000_000,
    )


def cover(
    roll: RollHead | None = None,
    *,
    at_risk: int | None = None,
    some: int | None = None,
    **states: CopyState,
) -> RollCover:
    """A roll whose roles stand as named; ``some`` files are so, the others proven."""
    roll = roll or head()
    roles = {}
    for role in Role:
        state = states.get(role.value, CopyState.PROVEN)
        bad = roll.file_count if some is None or state is CopyState.PROVEN else some
        counts = {state: bad}
        if bad < roll.file_count:
            counts[CopyState.PROVEN] = roll.file_count - bad
        dated = state in {CopyState.PROVEN, CopyState.DUE}
        roles[role] = RoleCover(
            state=state,
            places=() if state is CopyState.ABSENT else (NAMES[HOME[role]],),
            counts=counts,
            oldest_proof=NOW - timedelta(days=95 if state is CopyState.DUE else 2)
            if dated
            else None,
        )
    gaps = tuple(role for role in Role if roles[role].state is not CopyState.PROVEN)
    return RollCover(
        roll=roll,
        roles=roles,
        gaps=gaps,
        bytes_at_risk=at_risk if at_risk is not None else roll.size_bytes if gaps else 0,
        fewest=len(Role) - len(gaps),
    )


def place(role: Role, **changes: object) -> Place:
    bucket = role is Role.CLOUD
    values: dict[str, object] = {
        "id": HOME[role],
        "name": NAMES[HOME[role]],
        "role": role,
        "kind": PlaceKind.BUCKET if bucket else PlaceKind.DRIVE,
        "created_at": NOW - timedelta(days=100),
        "location": "s3://boatyard/originals" if bucket else f"/media/me/{NAMES[HOME[role]]}",
        "size_bytes": None if bucket else 4_000_000_000_000,
    }
    return Place(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


PLACES = tuple(place(role) for role in Role)


def gap_report(*covers: RollCover, unfinished: tuple[str, ...] = ()) -> GapReport:
    return GapReport(at=NOW, rolls=covers, unfinished=unfinished, places=PLACES)


def offloaded(**changes: object) -> OffloadOutcome:
    values: dict[str, object] = {
        "card": CARD,
        "folder": head().folder,
        "roll": head(),
        "sealed": True,
        "new_files": 40,
        "new_bytes": 3_200_000_000,
        "known_files": 0,
        "resumed_files": 0,
        "places": ("Main", "Travel"),
        "proven_at": {"Main": 40, "Travel": 40},
        "not_cold": {},
        "left_out": (),
        "specials": (),
        "warnings": (),
        "troubles": (),
        "seconds": 20.0,
    }
    return OffloadOutcome(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table
