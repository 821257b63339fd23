"""A drive that is in doubt as a whole: what was believed of it is believed no more, until it is read.

Promises:
1. Proofs of such a drive that were made before the doubt stop counting; what is read since counts.
2. Nothing is mended there while its newest readings say the same, unless a person says so.
3. The daemon leaves it alone until it is plugged in again: by another cable or port, or as it was.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.core.harm import SUDDEN_WITHIN, in_doubt, last_harm
from backupkeeper.core.model import CopyState, Event, EventKind, Fact, PlaceId, Result, Way
from backupkeeper.core.policy import copies_of

DOUBTED_FOR: Final = timedelta(days=365)
NOTE: Final = "the drive was in doubt as a whole"


def doubt_of(context: Context, drive: OnlineDrive) -> str:
    """Why nothing should be mended on a drive, as a sentence; empty where nothing speaks against it."""
    return doubt_about(context, drive.place.id)


def doubt_about(context: Context, place: PlaceId) -> str:
    """The same of any drive by its facts, here or not."""
    now = context.clock.now()
    last = last_harm(context.catalog.facts_around_harm(place, now - DOUBTED_FOR), now)
    if last is None:
        return ""
    return in_doubt(context.catalog.facts_at(place, since=last - SUDDEN_WITHIN), now, last)


def put_in_doubt(context: Context, drive: OnlineDrive, since: datetime) -> None:
    """Believe nothing more of a drive but what was read since then.

    Args:
        context: the world.
        drive: on which so much was bad at once.
        since: when its reading began.
    """
    now = context.clock.now()
    for head in context.catalog.rolls():
        facts = list(_doubts(context, drive, head.folder, since, now))
        if facts:
            context.catalog.record(facts=facts)
    context.catalog.note(
        [
            Event(
                at=now,
                kind=EventKind.DOUBTED,
                subject=drive.place.id,
                detail=drive.info.mount.token,
            )
        ]
    )


def _doubts(
    context: Context, drive: OnlineDrive, folder: str, since: datetime, now: datetime
) -> Iterator[Fact]:
    """A look with a mark of its own outdates a proof without saying anything bad; reading tells."""
    known = copies_of(
        context.catalog.facts_at(drive.place.id, below=folder),
        {drive.place.id: drive.place},
        context.config.policy,
        now,
    )
    for copies in known.values():
        for copy in copies:
            believed = copy.state in {CopyState.PROVEN, CopyState.DUE}
            if believed and copy.proof is not None and copy.proof.at < since:
                yield Fact(
                    at=now,
                    place=copy.place,
                    path=copy.path,
                    content=copy.content,
                    way=Way.LOOKED,
                    result=Result.MATCHES,
                    evidence="not read again yet",
                    version=f"doubt:{now.isoformat()}",
                    note=NOTE,
                )
