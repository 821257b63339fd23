"""How long to leave alone what failed, and what that is counted under.

A drive's failures are counted for one mount of it: plugged in again it is tried at once. A bucket's
are counted by place, a deed's that failed by itself (not by its device) by its key.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import Setback
from backupkeeper.core.model import Event, EventKind, PlaceId

FIRST: Final = timedelta(minutes=1)
MOST_FOR_A_DRIVE: Final = timedelta(hours=6)
MOST_FOR_A_BUCKET: Final = timedelta(hours=1)
"""Lines come back by themselves, drives seldom do."""
_DOUBLINGS: Final = 20


def subject_of_drive(place: PlaceId, token: str) -> str:
    """A drive during one mount."""
    return f"{place}@{token}"


def subject_of_bucket(place: PlaceId) -> str:
    """A bucket."""
    return place


def until(setback: Setback, subject: str) -> datetime:
    """When it is tried again: after a minute, then twice as long each time, up to a bound."""
    most = MOST_FOR_A_DRIVE if "@" in subject or "|" in subject else MOST_FOR_A_BUCKET
    doubled: timedelta = FIRST * (1 << min(setback.count - 1, _DOUBLINGS))
    return setback.last_at + min(doubled, most)


def setbacks(events: Iterable[Event]) -> dict[str, Setback]:
    """Runs of failures that no success has ended.

    Args:
        events: ``failed`` and ``worked``, in any order.
    """
    found: dict[str, Setback] = {}
    # At one instant a success counts after a failure: something was done since.
    ordered = sorted(events, key=lambda event: (event.at, event.kind is EventKind.WORKED))
    for event in ordered:
        if event.kind is EventKind.WORKED:
            found.pop(event.subject, None)
        elif event.kind is EventKind.FAILED:
            before = found.get(event.subject)
            count = before.count + 1 if before is not None else 1
            found[event.subject] = Setback(count=count, last_at=event.at, message=event.detail)
    return found


def waits(setbacks: Mapping[str, Setback], subjects: Iterable[str], now: datetime) -> str | None:
    """The subject that must be waited for longest, if one must be."""
    waiting = [
        subject
        for subject in subjects
        if subject in setbacks and until(setbacks[subject], subject) > now
    ]
    return max(waiting, key=lambda subject: until(setbacks[subject], subject), default=None)
