"""Outcomes of one day at the boatyard (DESIGN section 10), made by hand, odd names included."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

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
from backupkeeper.core.moving import Moved
from backupkeeper.core.outcomes import (
    Answer,
    Checked,
    Finding,
    GapReport,
    JudgedFile,
    MirrorOutcome,
    OffloadOutcome,
    PlaceReport,
    Reason,
    RoleCover,
    RoleProof,
    RollCover,
    Trouble,
    UploadOutcome,
    Verdict,
    VerifyOutcome,
)
from backupkeeper.report.lines import Line, Look

NOW = datetime(2026, 6, 12, 18, 40, 5, tzinfo=UTC)
MORNING = NOW - timedelta(hours=9)
LAST_WEEK = NOW - timedelta(days=8)
MAIN, TRAVEL, OFFSITE = PlaceId("id-main"), PlaceId("id-travel"), PlaceId("id-offsite")
NAMES = {MAIN: "Main", TRAVEL: "Travel", OFFSITE: "Off site"}
CARD = "/media/me/WIDE"
CLIP = "DCIM/100BOATY/BOAT0001.MP4"
HOSTILE = "DCIM/\x1b[2J\x1b]0;gotcha\x07\n\u202eYES\udcff.MP4"
FOLDER = "260612 Boatyard/Originals/Wide/Roll 01"


def look(width: int = 80, *, unicode: bool = True, most_paths: int = 10) -> Look:
    return Look(zone=UTC, width=width, unicode=unicode, most_paths=most_paths)


def text(lines: list[Line]) -> str:
    return "\n".join(line.text for line in lines)


def flat(lines: list[Line]) -> str:
    """All lines as one, so that a sentence is found wherever it was broken."""
    return " ".join(text(lines).split())


def place(place_id: PlaceId, role: Role, kind: PlaceKind = PlaceKind.DRIVE) -> Place:
    bucket = kind is PlaceKind.BUCKET
    return Place(
        id=place_id,
        name=NAMES[place_id],
        role=role,
        kind=kind,
        created_at=LAST_WEEK,
        location="s3://boatyard/footage" if bucket else f"/media/me/{place_id}",
        size_bytes=2_000_000_000_000,
    )


PLACES = (
    place(MAIN, Role.PRIMARY),
    place(TRAVEL, Role.SECONDARY),
    place(OFFSITE, Role.CLOUD, PlaceKind.BUCKET),
)


def _proven(at_place: PlaceId, way: Way, at: datetime) -> RoleProof:
    return RoleProof(state=CopyState.PROVEN, place=at_place, proof=way, at=at)


PROVEN = {
    Role.PRIMARY: _proven(MAIN, Way.READBACK, MORNING),
    Role.SECONDARY: _proven(TRAVEL, Way.REHASH, LAST_WEEK),
    Role.CLOUD: _proven(OFFSITE, Way.ATTESTED, NOW),
}
NO_CLOUD_COPY = {Role.CLOUD: RoleProof(state=CopyState.ABSENT)}


def judged(path: str = CLIP, roles: Mapping[Role, RoleProof] | None = None) -> JudgedFile:
    every = PROVEN | dict(roles or {})
    return JudgedFile(path=path, size=4_200_000, content=Blake3("ab" * 32), roles=every)


def _verdict(
    files: tuple[JudgedFile, ...], reasons: tuple[Reason, ...], asked: tuple[Role, ...]
) -> Verdict:
    unasked = [role for role in Role if role not in asked]
    return Verdict(
        card=CARD,
        at=NOW,
        answer=Answer.NO if reasons else Answer.YES,
        asked=asked,
        reasons=reasons,
        files=files,
        still_missing={role: len(files) for role in unasked},
        warnings=("The card is mounted so that it can be written to.",) if reasons else (),
    )


def yes() -> Verdict:
    return _verdict((judged(), judged("DCIM/100BOATY/BOAT0001.XML")), (), tuple(Role))


def yes_on_the_road() -> Verdict:
    return _verdict((judged(roles=NO_CLOUD_COPY),), (), (Role.PRIMARY, Role.SECONDARY))


def no(*reasons: Reason) -> Verdict:
    files = (judged(roles=NO_CLOUD_COPY), judged(HOSTILE, NO_CLOUD_COPY))
    return _verdict(files, reasons, tuple(Role))


HEAD = RollHead(
    id=RollId("cd" * 32),
    shoot="260612 Boatyard",
    source="Wide",
    name="Roll 01",
    folder=FOLDER,
    sealed_at=MORNING,
    file_count=2,
    size_bytes=8_400_000,
)


def cover(
    states: Mapping[Role, CopyState] | None = None,
    *,
    gaps: tuple[Role, ...] = (),
    same_device: bool = False,
) -> RollCover:
    """One roll; every role proven but those named."""
    roles = {}
    for role, holder in zip(Role, ("Main", "Travel", "Off site"), strict=True):
        state = (states or {}).get(role, CopyState.PROVEN)
        held = state not in {CopyState.ABSENT, CopyState.OUT_OF_REACH}
        roles[role] = RoleCover(
            state=state,
            places=(holder,) if held else (),
            counts={state: 2},
            oldest_proof=MORNING if state is CopyState.PROVEN else None,
        )
    lacking = gaps or tuple(states or ())
    risk = 8_400_000 if lacking else 0
    return RollCover(
        roll=HEAD,
        roles=roles,
        gaps=lacking,
        bytes_at_risk=risk,
        fewest=len(Role) - len(lacking),
        same_device=same_device,
    )


def report(*covers: RollCover, unfinished: tuple[str, ...] = ()) -> GapReport:
    return GapReport(at=NOW, rolls=covers, unfinished=unfinished, places=PLACES)


def offloaded(
    *,
    sealed: bool = True,
    proven: int = 2,
    not_cold: Mapping[str, str] | None = None,
    troubles: tuple[Trouble, ...] = (),
    specials: tuple[tuple[str, str], ...] = (),
) -> OffloadOutcome:
    return OffloadOutcome(
        card=CARD,
        folder=FOLDER,
        roll=HEAD if sealed else None,
        sealed=sealed,
        new_files=2,
        new_bytes=8_400_000,
        known_files=0,
        resumed_files=0,
        places=("Main", "Travel"),
        proven_at={"Main": 2, "Travel": proven},
        not_cold=not_cold or {},
        left_out=((".Trashes", "a system's trash folder"),),
        specials=specials,
        warnings=(),
        troubles=troubles,
        renamed=(("DCIM/a:b.MP4", "DCIM/a%3Ab.MP4"),),
        seconds=12.0,
    )


FULL = Trouble(place="Travel", path="", message="Travel has 12 bytes free.")
REFUSED = Trouble(place="Travel", path=HOSTILE, message=f"Could not write {HOSTILE} (EIO).")


def mirrored(
    *, files: int = 2, waiting: tuple[str, ...] = (), troubles: tuple[Trouble, ...] = ()
) -> MirrorOutcome:
    return MirrorOutcome(
        copied_files=files,
        copied_bytes=files * 4_200_000,
        rolls=((FOLDER, "Travel"),) if files else (),
        waiting=waiting,
        troubles=troubles,
    )


def uploaded(*, waiting: tuple[str, ...] = (), fetched_back: str | None = None) -> UploadOutcome:
    return UploadOutcome(
        bucket="Off site",
        sent_files=2,
        sent_bytes=8_400_000,
        looked_at=1,
        fetched_back=fetched_back,
        waiting=waiting,
        troubles=(),
    )


MOVED = Moved(
    place="Travel",
    was="260612 Boatyard",
    now="Boats\x1b/260612 Boatyard",
    files=2,
    size_bytes=8_400_000,
    not_cold=1,
)


def checked(finding: Finding, path: str = CLIP) -> Checked:
    return Checked(
        place="Travel",
        path=f"{FOLDER}/{path}",
        finding=finding,
        size=40_000_000,
        cold=True,
        damage=((8_388_608, 12_582_912),) if finding is Finding.DAMAGED else (),
    )


def verified(
    *found: Checked,
    matching: int = 5,
    skipped: tuple[str, ...] = (),
    not_cold: Mapping[str, str] | None = None,
) -> VerifyOutcome:
    return VerifyOutcome(
        what="Travel",
        matching_files=matching,
        matching_bytes=matching * 1000,
        not_cold=not_cold or {},
        checked=found,
        manifests=(f"{FOLDER}/ascmhl/0002.mhl",) if matching else (),
        manifest_faults=(),
        troubles=(),
        skipped=skipped,
        seconds=3.0,
    )


def _seen(one: Place, *, free: int | None, note: str = "") -> PlaceReport:
    held = 2 if free else 0
    return PlaceReport(
        place=one,
        connected=free is not None,
        files_held=held,
        bytes_held=held * 4_200_000,
        free_bytes=free,
        note=note,
    )


def place_reports() -> tuple[PlaceReport, ...]:
    return (
        _seen(PLACES[0], free=1_500_000_000_000),
        _seen(PLACES[2], free=None, note="A note."),
    )
