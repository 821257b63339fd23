"""A voyage as the planner sees it."""

from typing import TYPE_CHECKING

from backupkeeper.core.deeds import (
    CardHere,
    Changed,
    DeedKind,
    DrillDue,
    DriveHere,
    Running,
    Unlisted,
    View,
)
from backupkeeper.core.model import CopyState, PlaceId, PlaceKind, Roll
from backupkeeper.core.patience import setbacks
from tests.core.voyage_parts import DRILLS, POLICY, Card

if TYPE_CHECKING:
    from tests.core.voyage import Voyage


def view_of(voyage: "Voyage") -> View:
    """Everything that the planner may know now."""
    return View(
        now=voyage.now,
        places=voyage.places,
        drives={
            ident: DriveHere(
                place=ident,
                token=drive.token(),
                point=f"/media/{ident}",
                device=str(drive.place.device),
                free_bytes=drive.free,
            )
            for ident, drive in voyage.drives.items()
            if drive.mount is not None
        },
        cards=tuple(_card(card) for card in voyage.cards.values()),
        needs=tuple(voyage.needs()),
        unlisted=unlisted(voyage),
        changed=tuple(Changed(place=one, folders=f) for one, f in voyage.changed.items()),
        strange=tuple(voyage.strange.values()),
        running=tuple(
            Running(
                deed=job.deed,
                since=job.since,
                held=job.held,
                held_since=job.held_since if job.held else None,
                stopping=job.stopping,
            )
            for job in voyage.jobs.values()
        ),
        setbacks=setbacks(voyage.events),
        lent=voyage.lent,
        busy=voyage.busy,
        hours=voyage.hours(voyage),
        drill=_drill_due(voyage),
        auto_repair=voyage.auto_repair,
        paused=voyage.paused,
        wipe_needs=POLICY.wipe_needs,
    )


def unlisted(voyage: "Voyage") -> tuple[Unlisted, ...]:
    """Rolls that are whole in the bucket, and whose manifest never arrived."""
    vault = PlaceId("Vault")
    return tuple(
        Unlisted(roll=voyage.rolls[one].head, place=vault)
        for one in sorted(voyage.owed)
        if is_whole(voyage, voyage.rolls[one], vault)
    )


def is_whole(voyage: "Voyage", roll: Roll, at: PlaceId) -> bool:
    """Whether each of its files is proven there."""
    copies = voyage.copies(roll)
    return all(
        any(one.place == at and one.state is CopyState.PROVEN for one in copies[file.content])
        for file in roll.files
    )


def _drill_due(voyage: "Voyage") -> DrillDue | None:
    """As ``actions.drilled`` finds it: after a month, where a bucket has anything."""
    known = [
        fact.place
        for told in voyage.facts.values()
        for fact in told
        if voyage.places[fact.place].kind is PlaceKind.BUCKET
    ]
    is_due = voyage.drilled is None or voyage.now - voyage.drilled >= DRILLS
    is_under_way = any(job.deed.kind is DeedKind.DRILL for job in voyage.jobs.values())
    if not known or not is_due or is_under_way:
        return None
    size = sum(roll.head.size_bytes for roll in voyage.rolls.values())
    return DrillDue(place=known[0], shoot="260612 Boatyard", size_bytes=size, files=1)


def _card(card: Card) -> CardHere:
    return CardHere(
        token=card.token,
        point="/media/card",
        device=f"reader of {card.token}",
        label="WIDE",
        source="Wide",
        auto_offload=True,
        shoot="260612 Boatyard",
        size_bytes=sum(size for _, _, size in card.files),
        file_count=len(card.files),
        taken=card.taken is not None,
        folders=card.taken or (),
        judged_at=card.judged[0] if card.judged else None,
        may_wipe=card.judged[1] if card.judged else None,
    )
