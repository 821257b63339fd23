"""What is so where no daemon runs: places and facts, looked at now; and words that a daemon uses too.

It is in a file of its own so that little is loaded for it.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime, tzinfo

from backupkeeper.actions.context import Context
from backupkeeper.actions.drilled import drill_sentence
from backupkeeper.actions.in_short import Hurt, in_short
from backupkeeper.actions.online import OnlineDrive, bare, come_back, online
from backupkeeper.actions.place_check import reminders
from backupkeeper.actions.room import free_on, remembered_room
from backupkeeper.core.line import line_at
from backupkeeper.core.model import EventKind, Place, PlaceId, PlaceKind, Standing
from backupkeeper.core.needs import later
from backupkeeper.core.status import DriveStatus, LineStatus, Status
from backupkeeper.daemon.shares import Shares
from backupkeeper.report.mail_words import waiting_words


def damage_words(hurt: Iterable[Hurt], places: Mapping[PlaceId, Place]) -> tuple[str, ...]:
    """One sentence for each roll and place where anything is damaged or missing."""
    return tuple(f"{one.roll.folder} on {places[one.place].name}: {_how_many(one)}" for one in hurt)


def _how_many(hurt: Hurt) -> str:
    """``1 file damaged, 2 files missing``: what there is none of is not told."""
    counts = ((hurt.damaged_files, "damaged"), (hurt.missing_files, "missing"))
    return ", ".join(
        f"{count:,} {'file' if count == 1 else 'files'} {what}" for count, what in counts if count
    )


def status_without_daemon(context: Context, tz: tzinfo) -> Status:
    """What can be said where no daemon runs: places and facts, looked at now."""
    now = context.clock.now()
    seen = {event: one.at for event, one in context.catalog.latest(EventKind.SEEN).items()}
    room = {place: at for place, (at, _) in remembered_room(context).items()}
    drives, back = [], []
    for place in context.catalog.places():
        if place.kind is PlaceKind.BUCKET or place.standing is not Standing.ACTIVE:
            back.append(come_back(context, place))
            continue
        found = online(context, place)
        is_here = isinstance(found, OnlineDrive)
        drives.append(
            DriveStatus(
                name=place.name,
                role=place.role.value,
                point=found.root if isinstance(found, OnlineDrive) else "",
                free_bytes=free_on(context, [found]).get(place.id)
                if isinstance(found, OnlineDrive)
                else None,
                last_seen=now if is_here else later(seen.get(place.id), room.get(place.id)),
                note="" if isinstance(found, OnlineDrive) else found,
                is_bare=not is_here and bare(context, place) is not None,
            )
        )
    short = in_short(context)
    names = {place.id: place for place in context.catalog.places()}
    return Status(
        at=now,
        process=None,
        since=None,
        paused_until=None,
        may_upload=False,
        line=LineStatus(limit_bytes_s=line_at(now, context.config.upload.line, tz).limit),
        proof_seconds=0.0,
        drives=tuple(drives),
        cards=(),
        strangers=tuple(filter(None, back)),
        under_way=(),
        waiting=(),
        failing=(),
        damage=damage_words(short.hurt, names),
        rolls_with_gaps=short.rolls_with_gaps,
        rolls=short.rolls,
        bytes_to_go=short.to_go_bytes,
        drill=drill_sentence(context),
        advice=Shares(context, tz).warnings(now),
        notes=quiet_notes(context, now),
    )


def quiet_notes(context: Context, now: datetime) -> tuple[str, ...]:
    """Sentences to be told quietly: on buckets, and on mails that can't get out."""
    return (*reminders(context), *waiting_words(context.catalog.waiting(), now))
