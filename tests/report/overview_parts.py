"""What made-up overviews are made of: rolls, places, numbers over time, clips, pictures."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from functools import cache

import av
from blake3 import blake3

from backupkeeper.core.drilling import Drilled, DrillResult
from backupkeeper.core.model import (
    Blake3,
    CopyState,
    Result,
    Role,
    RollHead,
    RollId,
)
from backupkeeper.core.outcomes import RoleCover, RollCover
from backupkeeper.core.overview import (
    BucketLine,
    Clip,
    DriveLine,
    Filling,
    Harm,
    Level,
    Overview,
    ProofAge,
    Worry,
)
from backupkeeper.core.posters import Poster
from backupkeeper.core.prices import BucketCost, Held
from backupkeeper.core.snapshots import SnapshotNote
from backupkeeper.core.status import LineStatus, Status
from tests.report.boatyard import HOME, NAMES, NOW, gap_report, place

SOURCES = ("Wide", "Close", "Drone", "Recorder")
DAY = timedelta(days=1)
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "&lt;b&gt; & \"quotes\" 'both'",
    "line\nbreak\r\ttab\x00\x1b[31m",
    "\u202egnp.evil\u2066",
    "\u05d0\u05d1\u05d2 (12) Roll",
    "\U0001f6a4 boat \U0001f469\u200d\U0001f527",
    "\udcff\udc80.MP4",
    "é" * 127 + "x",
    "</style></title></svg><b>",
    "<!-- --> ]]>",
    " leading, trailing and  double ",
    "../../etc\\passwd",
    "javascript:alert(1)",
)
"""Names that somebody could give a file, a roll, a shoot or a place."""


def roll(shoot: str, source: str, name: str, at: datetime, gigabytes: float = 64.0) -> RollHead:
    return RollHead(
        id=RollId(blake3(repr((shoot, source, name)).encode()).hexdigest()),
        shoot=shoot,
        source=source,
        name=name,
        folder=f"{shoot}/Originals/{source}/{name}",
        sealed_at=at,
        file_count=max(1, round(gigabytes * 1.5)),
        size_bytes=round(gigabytes * 1e9),
    )


def cover(
    head: RollHead,
    *,
    some: int | None = None,
    days: int = 20,
    same_device: bool = False,
    **states: CopyState,
) -> RollCover:
    """A roll whose roles stand as named (else proven); ``some`` of its files are so, the rest proven."""
    roles = {}
    for number, role in enumerate(Role):
        state = states.get(role.value, CopyState.PROVEN)
        bad = head.file_count if some is None or state is CopyState.PROVEN else some
        counts = {state: bad}
        if bad < head.file_count:
            counts[CopyState.PROVEN] = head.file_count - bad
        dated = state in {CopyState.PROVEN, CopyState.DUE}
        age = (100 if state is CopyState.DUE else days) + number
        roles[role] = RoleCover(
            state=state,
            places=()
            if state in {CopyState.ABSENT, CopyState.OUT_OF_REACH}
            else (NAMES[HOME[role]],),
            counts=counts,
            oldest_proof=NOW - timedelta(days=age) if dated else None,
        )
    gaps = tuple(
        role
        for role in Role
        if roles[role].state is not CopyState.PROVEN or (same_device and role is Role.SECONDARY)
    )
    share = 1.0 if some is None else some / head.file_count
    return RollCover(
        roll=head,
        roles=roles,
        gaps=gaps,
        bytes_at_risk=round(head.size_bytes * share) if gaps else 0,
        fewest=len(Role) - len(gaps),
        same_device=same_device,
    )


def years_of_rolls(shoots: int, each: int, every_days: float = 24.0) -> tuple[RollCover, ...]:
    """Proven everywhere, newest first."""
    found = []
    for number in range(shoots):
        at = NOW - timedelta(days=1 + number * every_days)
        for which in range(each):
            source = SOURCES[which % 4]
            name = f"Roll {which // 4 + 1:02}"
            gigabytes = 8 + (number * 37 + which * 53) % 140
            head = roll(f"{at:%y%m%d} Boatyard", source, name, at, gigabytes)
            found.append(cover(head, days=2 + (number * 7) % 60))
    return tuple(found)


def drive(role: Role, **changes: object) -> DriveLine:
    values: dict[str, object] = {
        "place": place(role),
        "is_here": role is Role.PRIMARY,
        "held_files": 31_204,
        "held_bytes": 2_870_000_000_000,
        "free_bytes": 1_130_000_000_000,
        "free_at": NOW - timedelta(hours=2),
        "last_seen": NOW - (timedelta(minutes=2) if role is Role.PRIMARY else 2 * DAY),
        "last_proven": NOW - DAY,
        "oldest_proof": NOW - 71 * DAY,
        "snapshot_at": NOW - timedelta(hours=5),
        "filling": Filling(shoots_left=7.2, earliest=NOW + 120 * DAY, latest=NOW + 190 * DAY),
    }
    return DriveLine(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def bucket(**changes: object) -> BucketLine:
    held = Held(shelf="STANDARD", objects=31_450, size_bytes=2_870_000_000_000)
    values: dict[str, object] = {
        "place": place(Role.CLOUD),
        "held_files": 31_204,
        "held_bytes": 2_870_000_000_000,
        "checked_at": NOW - 4 * DAY,
        "last_proven": NOW - timedelta(hours=9),
        "oldest_proof": NOW - 300 * DAY,
        "fetched_files": 1_560,
        "cost": BucketCost(
            name="Off site",
            held=(held,),
            currency="EUR",
            a_month=Decimal("14.35"),
            to_fetch=Decimal("28.70"),
        ),
        "snapshot_at": NOW - timedelta(hours=9),
    }
    return BucketLine(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def ages(files: int = 31_204) -> tuple[ProofAge, ...]:
    bands = ((0, 30), (30, 60), (60, 90), (90, 180), (180, 365), (365, None))
    shares = {
        Role.PRIMARY: (0.41, 0.35, 0.24, 0.0, 0.0, 0.0),
        Role.SECONDARY: (0.22, 0.40, 0.38, 0.0, 0.0, 0.0),
        Role.CLOUD: (0.10, 0.12, 0.15, 0.28, 0.35, 0.0),
    }
    found = []
    for role, parts in shares.items():
        for (low, high), share in zip(bands, parts, strict=True):
            number = round(files * share)
            found.append(
                ProofAge(
                    role=role,
                    days_from=low,
                    days_to=high,
                    files=number,
                    size_bytes=number * 92_000_000,
                )
            )
        found.append(ProofAge(role=role, days_from=None, days_to=None, files=0, size_bytes=0))
    return tuple(found)


def levels(covers: Iterable[RollCover], *, lag_days: int = 6) -> tuple[Level, ...]:
    """How copies came together: the drives at once, the bucket some days later."""
    heads = sorted((one.roll for one in covers), key=lambda one: one.sealed_at)
    if not heads:
        return ()
    first, last = heads[0].sealed_at, NOW
    steps = 80
    found = []
    for number in range(steps + 1):
        at = first + (last - first) * (number / steps)
        taken = sum(one.size_bytes for one in heads if one.sealed_at <= at)
        second = sum(one.size_bytes for one in heads if one.sealed_at + 9 * DAY <= at)
        far = sum(one.size_bytes for one in heads if one.sealed_at + lag_days * 3 * DAY <= at)
        if number == steps:
            second = far = taken
        proven = {Role.PRIMARY: taken, Role.SECONDARY: second, Role.CLOUD: far}
        found.append(Level(at=at, taken_bytes=taken, proven_bytes=proven))
    return tuple(found)


def clips_of(
    covers: Iterable[RollCover], rolls: int = 3, each: int = 6
) -> dict[RollId, tuple[Clip, ...]]:
    newest = sorted((one.roll for one in covers), key=lambda one: one.sealed_at, reverse=True)
    found: dict[RollId, tuple[Clip, ...]] = {}
    for head in newest[:rolls]:
        found[head.id] = tuple(
            Clip(
                path=f"DCIM/100BOATY/{head.source.upper()}{number:04}.MP4",
                content=Blake3(blake3(f"{head.id}{number}".encode()).hexdigest()),
                size_bytes=1_270_000_000,
            )
            for number in range(1, each + 1)
        )
    return found


@cache
def jpeg(seed: int, width: int = 240, height: int = 135) -> bytes:
    """A real small picture: water, sky and a hull, in other greys for other seeds."""
    frame = av.VideoFrame(width, height, "yuvj420p")
    for number, plane in enumerate(frame.planes):
        high, wide = plane.height, plane.line_size
        rows = bytearray(wide * high)
        for y in range(high):
            for x in range(wide):
                if number:
                    value = 128 + (8 if y > high // 2 else -6) * (1 if number == 1 else -1)
                elif y > high * 0.62:
                    value = 70 + (x * 7 + y * 13 + seed * 11) % 24
                elif (
                    abs(x - (40 + seed * 31 % 120)) < 46 - (high * 0.62 - y) * 0.7
                    and y > high * 0.45
                ):
                    value = 40
                else:
                    value = 150 + y // 2 + seed % 5 * 6
                rows[y * wide + x] = min(255, value)
        plane.update(bytes(rows))
    coder = av.CodecContext.create("mjpeg", "w")
    assert isinstance(coder, av.VideoCodecContext)
    coder.width, coder.height, coder.pix_fmt = width, height, "yuvj420p"
    coder.time_base = coder.framerate = 25  # type: ignore[assignment]  # a whole number does
    packets = [*coder.encode(frame), *coder.encode(None)]
    return b"".join(bytes(packet) for packet in packets)


def posters_of(overview: Overview) -> Mapping[Blake3, Poster]:
    """A poster for each clip, with all kinds of gaps in what is known of one."""
    found: dict[Blake3, Poster] = {}
    contents = [one.content for clips in overview.clips.values() for one in clips]
    for number, content in enumerate(dict.fromkeys(contents)):
        if number % 7 == 5:
            found[content] = Poster(
                content=content,
                seconds=341.2,
                coding="PCM",
                sound="2 channels, 48 kHz",
                note="sound only",
            )
        elif number % 7 == 6:
            found[content] = Poster(content=content, note="its picture can't be understood")
        else:
            found[content] = Poster(
                content=content,
                jpeg=jpeg(number % 5),
                width=3840,
                height=2160,
                seconds=12.4 + number * 37.9,
                frames_per_second=25.0,
                coding="H.264",
                sound="2 channels, 48 kHz",
            )
    return found


SNAPSHOTS = tuple(
    SnapshotNote(place=name, at=NOW - timedelta(hours=5), is_current=True)
    for name in NAMES.values()
)
DRILLS = (
    Drilled(
        shoot="260402 Boatyard", at=NOW - 40 * DAY, round=1, result=DrillResult.RIGHT,
        place="Off site", files=214, size_bytes=182_000_000_000,
    ),
    Drilled(
        shoot="251105 Boatyard", at=NOW - 150 * DAY, round=1, result=DrillResult.UNFINISHED,
        place="Off site", files=12, size_bytes=9_000_000_000,
    ),
    Drilled(
        shoot="250812 Boatyard", at=NOW - 240 * DAY, round=1, result=DrillResult.RIGHT,
        place="Off site", files=96, size_bytes=77_000_000_000,
    ),
)  # fmt: skip


def overview(covers: Iterable[RollCover] = (), **changes: object) -> Overview:
    gaps = replace(gap_report(*covers), snapshots=SNAPSHOTS)
    values: dict[str, object] = {
        "at": NOW,
        "gaps": gaps,
        "worry": Worry.SOON if gaps.with_gaps else Worry.NONE,
        "steps": (),
        "drives": (drive(Role.PRIMARY), drive(Role.SECONDARY)),
        "buckets": (bucket(),),
        "next_at": NOW + 7 * DAY,
    }
    return Overview(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def harm(*, mended: bool, **changes: object) -> Harm:
    values: dict[str, object] = {
        "place": "Travel",
        "folder": "260521 Boatyard/Originals/Wide/Roll 01",
        "path": "260521 Boatyard/Originals/Wide/Roll 01/DCIM/WIDE0007.MP4",
        "content": Blake3("ab" * 32),
        "result": Result.DAMAGED,
        "found_at": NOW - 12 * DAY,
        "size_bytes": 1_270_000_000,
        "hurt_bytes": 4_096,
        "mended_at": NOW - 12 * DAY + timedelta(minutes=4) if mended else None,
    }
    return Harm(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


IDLE = Status(
    at=NOW,
    process=4711,
    since=NOW - 3 * DAY,
    paused_until=None,
    may_upload=True,
    line=LineStatus(limit_bytes_s=2_500_000, changes_at=NOW + timedelta(hours=14)),
    proof_seconds=0.0,
    drives=(),
    cards=(),
    strangers=(),
    under_way=(),
    waiting=(),
    failing=(),
    damage=(),
    rolls_with_gaps=0,
    bytes_to_go=0,
)
