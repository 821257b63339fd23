"""How fast a place gave its bytes before: remembered as events, for saying how long it will take."""

from datetime import timedelta
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.model import Event, EventKind, PlaceId

RESTORE: Final = "restore"
_REMEMBERED: Final = timedelta(days=400)
_LONG_ENOUGH_S: Final = 1.0


def note_rate(context: Context, place: PlaceId, byte_count: int, seconds: float) -> None:
    """Remember how long it took a place to give so many bytes to a restore."""
    if byte_count and seconds >= _LONG_ENOUGH_S:
        event = Event(
            at=context.clock.now(),
            kind=EventKind.MOVED,
            subject=f"{RESTORE}|{place}",
            detail=f"{byte_count} {seconds:.1f}",
        )
        context.catalog.note([event])


def rate_from(context: Context, place: PlaceId) -> float | None:
    """Bytes a second that a place gave: to restores, else to proofs; None where neither is known."""
    since = context.clock.now() - _REMEMBERED
    for what in (RESTORE, DeedKind.PROVE):
        count, took = 0, 0.0
        for event in context.catalog.events(
            (EventKind.MOVED,), since=since, subject=f"{what}|{place}"
        ):
            moved, _, seconds = event.detail.partition(" ")
            try:
                count, took = count + int(moved), took + float(seconds)
            except ValueError:
                continue
        if took > 0:
            return count / took
    return None
