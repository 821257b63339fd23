"""An overview in which every name that comes from outside is a trap."""

from dataclasses import replace

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.model import (
    Blake3,
    CopyState,
    Place,
    Role,
)
from backupkeeper.core.overview import (
    Clip,
    Filling,
    Overview,
    Step,
    Worry,
)
from backupkeeper.core.prices import BucketCost
from backupkeeper.core.snapshots import SnapshotNote
from backupkeeper.core.status import LineStatus, Status, WaitStatus
from backupkeeper.core.trends import Advice, Level as AdviceLevel
from tests.report.boatyard import NOW, place
from tests.report.overview_parts import (
    DAY,
    DRILLS,
    HOSTILE,
    ages,
    bucket,
    cover,
    drive,
    harm,
    levels,
    overview,
    roll,
)


def hostile(busy: Status) -> Overview:
    """Every name that comes from outside is one of ``HOSTILE``.

    Args:
        busy: a daemon with something under way.
    """
    names = HOSTILE
    covers = []
    for number, bad in enumerate(names):
        head = roll(
            bad,
            names[(number + 1) % len(names)],
            names[(number + 2) % len(names)],
            NOW - number * DAY,
        )
        covers.append(
            cover(head) if number % 2 else cover(head, secondary=CopyState.DAMAGED, some=1)
        )
    covers = [
        replace(
            one,
            roles={role: replace(cell, places=names[:3]) for role, cell in one.roles.items()},
        )
        for one in covers
    ]

    def named(number: int, role: Role) -> Place:
        return place(role, name=names[number], location=f"/media/{names[number]}")

    clips = {
        covers[0].roll.id: tuple(
            Clip(path=f"DCIM/{bad}", content=Blake3(f"{number:064x}"), size_bytes=10**9)
            for number, bad in enumerate(names)
        )
    }
    note = " / ".join(names)
    status = replace(
        busy,
        failing=(note,),
        strangers=(note,),
        notes=(note,),
        advice=(note,),
        damage=(note,),
        arrivals=(Arrival(place=names[0], to_go=10**9, why=names[1]),),
        line=LineStatus(no_upload=note, down=(note,)),
        waiting=(WaitStatus(kind=DeedKind.MIRROR, what=names[0], why=names[1], size_bytes=1),),
    )
    status = replace(
        status,
        under_way=tuple(replace(one, what=note, why=note, path=note) for one in status.under_way),
    )
    base = overview(
        covers,
        worry=Worry.NOW,
        steps=tuple(
            Step(words=one, command=f"backupkeeper repair {one}", rolls=1) for one in names
        ),
        drives=tuple(
            drive(
                Role.PRIMARY,
                place=named(number, Role.PRIMARY),
                advice=Advice(level=AdviceLevel.WATCH, reasons=(bad,)),
                filling=Filling(why=bad),
            )
            for number, bad in enumerate(names)
        ),
        buckets=(
            bucket(
                place=named(2, Role.CLOUD),
                arrival=Arrival(place=names[3], to_go=5, why=names[4]),
                cost=BucketCost(name=names[0], held=(), currency=names[1], trouble=names[2]),
            ),
        ),
        harms=tuple(
            harm(mended=bool(number % 2), place=bad, path=f"{bad}/{bad}", folder=bad, note=bad)
            for number, bad in enumerate(names)
        ),
        drills=tuple(replace(DRILLS[0], shoot=bad, place=bad) for bad in names),
        drill_due=note,
        proof_ages=ages(),
        levels=levels(covers),
        status=status,
        clips=clips,
        notes=(note,),
    )
    return replace(
        base,
        gaps=replace(
            base.gaps,
            notes=(note,),
            unfinished=names,
            places=tuple(named(number, Role.PRIMARY) for number in range(len(names))),
            snapshots=tuple(SnapshotNote(place=bad, at=None, is_current=False) for bad in names),
        ),
    )
