"""A whole overview of the boat yard: something of everything, for terminal, JSON, page and mail."""

from dataclasses import replace
from datetime import timedelta

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.drilling import Drilled, DrillResult
from backupkeeper.core.model import Blake3, CopyState, PlaceId, Result, Role, Standing
from backupkeeper.core.outcomes import GapReport
from backupkeeper.core.overview import (
    BucketLine,
    DriveLine,
    Filling,
    Harm,
    Level,
    Overview,
    ProofAge,
)
from backupkeeper.core.prices import BucketCost, Held
from backupkeeper.core.snapshots import SnapshotNote
from backupkeeper.core.steps import all_steps, worry_of
from backupkeeper.core.trends import Advice, Level as AdviceLevel
from tests.report.boatyard import NOW, PLACES, cover, head, place

DAY = timedelta(days=1)
GB = 10**9
ROLES = tuple(Role)
COVERS = (
    cover(head("260613 Boatyard", source="Drone"), cloud=CopyState.ABSENT, secondary=CopyState.DUE),
    cover(head("260613 Boatyard", name="Roll 02"), some=2, at_risk=5_000_000, secondary=CopyState.DAMAGED),
    cover(head("260613 Boatyard", source="Recorder")),
    cover(head()),
    cover(head(source="Close")),
)  # fmt: skip
OLD = place(Role.PRIMARY, id=PlaceId("id-old"), name="Old", standing=Standing.LOST)
REPORT = GapReport(
    at=NOW,
    rolls=COVERS,
    unfinished=("260613 Boatyard/Originals/Close/Roll 01",),
    places=(*PLACES, OLD),
    notes=("Off site was last checked 40 days ago.",),
    snapshots=(SnapshotNote(place="Travel", at=NOW - 9 * DAY, is_current=False, is_old=True),),
)
DRIVES = (
    DriveLine(
        place=place(Role.PRIMARY),
        is_here=True,
        held_files=200,
        held_bytes=16 * GB,
        free_bytes=812 * GB,
        free_at=NOW,
        last_seen=NOW,
        last_proven=NOW - 2 * DAY,
        oldest_proof=NOW - 60 * DAY,
        snapshot_at=NOW - DAY,
        filling=Filling(shoots_left=9.5, earliest=NOW + 90 * DAY, latest=NOW + 200 * DAY),
    ),
    DriveLine(
        place=place(Role.SECONDARY),
        is_here=False,
        held_files=160,
        held_bytes=12 * GB,
        free_bytes=300 * GB,
        free_at=NOW - 9 * DAY,
        last_seen=NOW - 9 * DAY,
        last_proven=NOW - 9 * DAY,
        oldest_proof=NOW - 95 * DAY,
        advice=Advice(level=AdviceLevel.REPLACE, reasons=("Its own check says that it fails.",)),
        in_doubt=True,
        filling=Filling(shoots_left=2.5, why="too few shoots are known yet"),
    ),
    DriveLine(place=OLD, is_here=False, held_files=40, held_bytes=3 * GB),
)
BUCKETS = (
    BucketLine(
        place=place(Role.CLOUD),
        held_files=160,
        held_bytes=12 * GB,
        checked_at=NOW - 40 * DAY,
        last_proven=NOW - 3 * DAY,
        oldest_proof=NOW - 28 * DAY,
        fetched_files=8,
        arrival=Arrival(place="Off site", to_go=3_200_000_000, earliest=NOW + DAY, latest=NOW + 2 * DAY),
        cost=BucketCost(name="Off site", held=(Held(shelf="", objects=160, size_bytes=12 * GB),), currency="EUR"),
        snapshot_at=NOW - DAY,
    ),
)  # fmt: skip
HARMS = (
    Harm(
        place="Main",
        folder=head().folder,
        path=f"{head().folder}/DCIM/100BOATY/BOAT0002.MP4",
        content=Blake3("cd" * 32),
        result=Result.DAMAGED,
        found_at=NOW - 20 * DAY,
        size_bytes=1_200_000_000,
        hurt_bytes=4_194_304,
        mended_at=NOW - 19 * DAY,
    ),
    Harm(
        place="Travel",
        folder=COVERS[1].roll.folder,
        path=f"{COVERS[1].roll.folder}/DCIM/100BOATY/BOAT0001.MP4",
        content=Blake3("ab" * 32),
        result=Result.UNREADABLE,
        found_at=NOW - 30 * DAY,
        size_bytes=1_200_000_000,
    ),
)
DRILLS = (
    Drilled(
        shoot="260612 Boatyard",
        at=NOW - 30 * DAY,
        round=1,
        result=DrillResult.RIGHT,
        place="Off site",
        files=80,
        size_bytes=6 * GB,
    ),
    Drilled(
        shoot="260501 Slipway",
        at=NOW - 90 * DAY,
        round=1,
        result=DrillResult.WRONG,
        place="Off site",
        files=20,
        size_bytes=GB,
    ),
)
AGES = (
    ProofAge(role=Role.PRIMARY, days_from=0, days_to=7, files=150, size_bytes=12 * GB),
    ProofAge(role=Role.PRIMARY, days_from=7, days_to=30, files=0, size_bytes=0),
    ProofAge(role=Role.PRIMARY, days_from=30, days_to=None, files=50, size_bytes=4 * GB),
    ProofAge(role=Role.SECONDARY, days_from=None, days_to=None, files=2, size_bytes=GB),
)
LEVELS = tuple(
    Level(
        at=NOW - days * DAY,
        taken_bytes=taken * GB,
        proven_bytes={Role.PRIMARY: taken * GB, Role.SECONDARY: proven * GB, Role.CLOUD: 0},
    )
    for days, taken, proven in ((2, 4, 0), (1, 9, 4), (0, 16, 12))
)
STEPS = all_steps(REPORT, ROLES, DRIVES, HARMS)
WHOLE = Overview(
    at=NOW,
    gaps=REPORT,
    worry=worry_of(REPORT, ROLES, STEPS),
    steps=STEPS,
    drives=DRIVES,
    buckets=BUCKETS,
    harms=HARMS,
    drills=DRILLS,
    proof_ages=AGES,
    levels=LEVELS,
    notes=REPORT.notes,
)
WELL = replace(
    WHOLE,
    gaps=replace(REPORT, rolls=COVERS[2:], unfinished=(), notes=(), snapshots=(), places=PLACES),
    drives=DRIVES[:1],
    harms=HARMS[:1],
    notes=(),
)
"""The same with all of it proven and nothing wrong."""
WELL = replace(
    WELL, steps=(), worry=worry_of(WELL.gaps, ROLES, all_steps(WELL.gaps, ROLES, WELL.drives, WELL.harms))
)  # fmt: skip
