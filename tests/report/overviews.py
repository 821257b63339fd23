"""Made-up overviews for the page: from nothing yet to ten thousand rolls, and the worst of days.

All play at the boat yard of ``tests.report.boatyard``. ``ALL`` names those that are looked at in a
browser; numbers that depend on one another (gaps, worry, steps) are made to agree.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import timedelta
from functools import cache

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.model import (
    CopyState,
    Result,
    Role,
    Standing,
)
from backupkeeper.core.outcomes import GapReport, RollCover
from backupkeeper.core.overview import (
    Filling,
    Overview,
    ProofAge,
    Step,
    Worry,
)
from backupkeeper.core.snapshots import SnapshotNote
from backupkeeper.core.status import DeedStatus, WaitStatus
from backupkeeper.core.trends import Advice, Level as AdviceLevel
from tests.report.boatyard import NOW, PLACES, place
from tests.report.overview_hostile import hostile
from tests.report.overview_parts import (
    DAY,
    DRILLS,
    IDLE,
    SOURCES,
    ages,
    bucket,
    clips_of,
    cover,
    drive,
    harm,
    levels,
    overview,
    roll,
    years_of_rolls,
)


def nothing_yet() -> Overview:
    return Overview(
        at=NOW,
        gaps=GapReport(at=NOW, rolls=()),
        worry=Worry.SOON,
        steps=(
            Step(
                words="No place has the role primary yet: take one in",
                command="backupkeeper place add PATH --role primary --name NAME",
            ),
            Step(
                words="No place has the role secondary yet: take one in",
                command="backupkeeper place add PATH --role secondary --name NAME",
            ),
            Step(
                words="No place has the role cloud yet: take one in",
                command="backupkeeper place add s3://BUCKET/PREFIX --role cloud --name NAME",
            ),
        ),
        drives=(),
        buckets=(),
    )


def first_day() -> Overview:
    """One drive, three cards."""
    covers = [
        cover(
            roll("260614 Boatyard", source, "Roll 01", NOW - timedelta(hours=hours), 40 + hours),
            days=0,
            secondary=CopyState.ABSENT,
            cloud=CopyState.ABSENT,
        )
        for hours, source in enumerate(SOURCES[:3], start=1)
    ]
    main = drive(
        Role.PRIMARY,
        held_files=198,
        held_bytes=126_000_000_000,
        free_bytes=3_874_000_000_000,
        last_proven=NOW - timedelta(minutes=50),
        oldest_proof=NOW - timedelta(hours=3),
        filling=Filling(why="not to be known from one day"),
        snapshot_at=None,
    )
    report = GapReport(
        at=NOW,
        rolls=tuple(covers),
        places=PLACES[:1],
        snapshots=(SnapshotNote(place="Main", at=None, is_current=False),),
    )
    return Overview(
        at=NOW,
        gaps=report,
        worry=Worry.SOON,
        steps=(
            Step(
                words="No place has the role secondary yet: take one in",
                command="backupkeeper place add PATH --role secondary --name NAME",
                rolls=3,
            ),
            Step(
                words="No place has the role cloud yet: take one in",
                command="backupkeeper place add s3://BUCKET/PREFIX --role cloud --name NAME",
                rolls=3,
            ),
        ),
        drives=(main,),
        buckets=(),
        levels=levels(covers)[-4:],
        proof_ages=(
            ProofAge(
                role=Role.PRIMARY, days_from=0, days_to=30, files=198, size_bytes=126_000_000_000
            ),
        ),
        clips=clips_of(covers),
        drill_due="No restore drill was made yet.",
    )


@cache
def all_well() -> Overview:
    covers = years_of_rolls(62, 4)
    return overview(
        covers,
        drills=DRILLS,
        proof_ages=ages(),
        levels=levels(covers),
        clips=clips_of(covers),
        harms=(harm(mended=True),),
        status=IDLE,
    )


def with_gaps(base: Overview, *worse: RollCover) -> Overview:
    """The same with some rolls in front that fall short, at their places in time."""
    gone = {one.roll.id for one in worse}
    rolls = (*worse, *(one for one in base.gaps.rolls if one.roll.id not in gone))
    return replace(base, gaps=replace(base.gaps, rolls=rolls), worry=Worry.SOON)


def two_gaps() -> Overview:
    base = all_well()
    first, second = (one.roll for one in base.gaps.rolls[:2])
    worse = (
        cover(first, cloud=CopyState.ABSENT, secondary=CopyState.WRITTEN, days=1),
        cover(second, cloud=CopyState.ABSENT, some=12, days=1),
    )
    return replace(
        with_gaps(base, *worse),
        steps=(
            Step(
                words="Plug Travel in and prove what is on it",
                command="backupkeeper verify Travel",
                rolls=1,
            ),
            Step(words="Bring to the bucket what it lacks", command="backupkeeper upload", rolls=2),
        ),
        drill_due="The last restore drill was 6 months ago; one is due: backupkeeper drill",
    )


def damage() -> Overview:
    base = all_well()
    hurt = next(one.roll for one in base.gaps.rolls if one.roll.source == "Close")
    return replace(
        with_gaps(base, cover(hurt, secondary=CopyState.DAMAGED, some=2)),
        worry=Worry.NOW,
        steps=(
            Step(
                words="Damage at Travel: keep the other copies, and have it mended from them",
                command="backupkeeper repair Travel",
                rolls=1,
                worry=Worry.NOW,
            ),
        ),
        harms=(
            harm(
                mended=False,
                path=f"{hurt.folder}/DCIM/CLOS0003.MP4",
                folder=hurt.folder,
                found_at=NOW - timedelta(hours=7),
                note="picture 00:12:03.4 to 00:12:05.1, sound unharmed",
            ),
            harm(
                mended=False,
                path=f"{hurt.folder}/DCIM/CLOS0004.MP4",
                folder=hurt.folder,
                found_at=NOW - timedelta(hours=7),
                result=Result.UNREADABLE,
                hurt_bytes=None,
            ),
            harm(mended=True),
        ),
    )


def drive_failing() -> Overview:
    base = all_well()
    reasons = (
        "It could not read 14 sectors in the last week, 3 the week before.",
        "It is failing by its own word.",
    )
    bad = drive(
        Role.PRIMARY,
        advice=Advice(level=AdviceLevel.REPLACE, reasons=reasons),
        in_doubt=True,
        free_bytes=96_000_000_000,
        filling=Filling(shoots_left=0.4, earliest=NOW + 3 * DAY, latest=NOW + 9 * DAY),
    )
    other = drive(
        Role.SECONDARY,
        advice=Advice(level=AdviceLevel.CABLE, reasons=("2,114 transfers arrived broken, ever.",)),
        last_seen=NOW - 45 * DAY,
    )
    lost = drive(
        Role.SECONDARY,
        place=place(Role.SECONDARY, name="Old travel", standing=Standing.LOST),
        is_here=False,
        free_bytes=None,
        free_at=None,
        last_seen=NOW - 400 * DAY,
        oldest_proof=None,
        last_proven=None,
        filling=Filling(),
        snapshot_at=None,
    )
    return replace(
        base,
        worry=Worry.NOW,
        drives=(bad, other, lost),
        steps=(
            Step(
                words="Replace Main: it is failing. Take in a new drive, then bring everything to it",
                command="backupkeeper place add PATH --role primary --name NAME",
                worry=Worry.NOW,
            ),
            Step(words="Travel was not here for 45 days: plug it in"),
        ),
    )


def uploading() -> Overview:
    base = two_gaps()
    arrival = Arrival(
        place="Off site",
        to_go=412_000_000_000,
        earliest=NOW + 2 * DAY,
        latest=NOW + 3 * DAY + timedelta(hours=7),
    )
    first = base.gaps.rolls[0].roll
    deeds = (
        DeedStatus(
            kind=DeedKind.UPLOAD,
            what=f"upload {first.shoot}/{first.source}/{first.name} from Main to Off site",
            why="It lacks a third copy.",
            since=NOW - timedelta(hours=4),
            stage="Uploading",
            bytes_done=9_200_000_000,
            bytes_total=51_000_000_000,
            files_done=11,
            files_total=76,
            bytes_a_second=2_310_000.0,
            seconds_left=18_095.0,
            path="DCIM/100BOATY/WIDE0012.MP4",
        ),
        DeedStatus(
            kind=DeedKind.PROVE,
            what="prove 251105 Boatyard/Wide/Roll 01 at Main",
            why="Its proof is due.",
            since=NOW - timedelta(minutes=11),
            stage="Reading",
            bytes_done=0,
            bytes_total=44_000_000_000,
            files_done=0,
            files_total=61,
            bytes_a_second=None,
            seconds_left=None,
            held=True,
        ),
    )
    waits = (
        WaitStatus(
            kind=DeedKind.UPLOAD,
            what="upload 260613 Boatyard/Close/Roll 01 from Main to Off site",
            why="after the one under way",
            size_bytes=61_000_000_000,
            seconds=26_400.0,
        ),
    )
    status = replace(
        IDLE,
        under_way=deeds,
        waiting=waits,
        failing=("mirror to Travel failed 20 minutes ago: it is not here. Tried again at 10:00.",),
        rolls_with_gaps=2,
        bytes_to_go=412_000_000_000,
        arrivals=(arrival,),
    )
    return replace(base, status=status, buckets=(bucket(arrival=arrival),))


def all_lost() -> Overview:
    """No place is left."""
    covers = [
        cover(
            one.roll,
            primary=CopyState.OUT_OF_REACH,
            secondary=CopyState.OUT_OF_REACH,
            cloud=CopyState.OUT_OF_REACH,
        )
        for one in years_of_rolls(5, 4)
    ]
    places = tuple(place(role, standing=Standing.LOST) for role in Role)
    report = GapReport(at=NOW, rolls=tuple(covers), places=places)
    gone: Mapping[str, object] = {
        "is_here": False,
        "free_bytes": None,
        "free_at": None,
        "filling": Filling(),
        "snapshot_at": None,
    }
    return Overview(
        at=NOW,
        gaps=report,
        worry=Worry.NOW,
        steps=(
            Step(
                words="No copy of 20 rolls is known any more. Look for every drive and every bucket "
                "that ever held one, and take it in again",
                command="backupkeeper rebuild",
                rolls=20,
                worry=Worry.NOW,
            ),
        ),
        drives=(
            drive(Role.PRIMARY, place=places[0], **gone),
            drive(Role.SECONDARY, place=places[1], **gone),
        ),
        buckets=(bucket(place=places[2], cost=None, snapshot_at=None),),
    )


@cache
def many(rolls: int = 10_000) -> Overview:
    covers = years_of_rolls(rolls // 8, 8, every_days=3.0)
    base = overview(
        covers, drills=DRILLS, proof_ages=ages(1_400_000), clips=clips_of(covers, rolls=40, each=40)
    )
    worse = [
        cover(one.roll, cloud=CopyState.ABSENT) for one in covers if one.roll.source == "Drone"
    ][:300]
    return replace(
        with_gaps(base, *worse),
        steps=(
            Step(
                words="Bring to the bucket what it lacks", command="backupkeeper upload", rolls=300
            ),
        ),
    )


ALL: Mapping[str, Callable[[], Overview]] = {
    "nothing-yet": nothing_yet,
    "first-day": first_day,
    "all-well": all_well,
    "two-gaps": two_gaps,
    "damage": damage,
    "drive-failing": drive_failing,
    "uploading": uploading,
    "all-lost": all_lost,
    "hostile": lambda: hostile(uploading().status or IDLE),
}
"""Small enough to be looked at each; ``many`` stands by itself."""
