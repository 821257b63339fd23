"""How long to leave alone what failed, and what that is counted under.

A drive's failures are counted for one mount of it: plugged in again it is tried at once. A bucket's
are counted by place; those of the line to it, which are nobody's fault, and those that a person must
see to, by place as well, but apart. A deed's that failed by itself (not by its device) by its key.
"""

import hashlib
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import Setback
from backupkeeper.core.model import Event, EventKind, PlaceId

FIRST: Final = timedelta(minutes=1)
MOST_FOR_A_DRIVE: Final = timedelta(hours=6)
MOST_FOR_A_BUCKET: Final = timedelta(hours=1)
"""Stores come back by themselves, drives seldom do."""
MOST_FOR_A_LINE: Final = timedelta(minutes=15)
"""A line is back as soon as a laptop is opened elsewhere, or somebody has logged in."""
SPREAD: Final = 0.25
"""So much longer at most it is waited, by chance."""
_LINE: Final = "line to "
_SHUT: Final = "person for "
_BITS: Final = 64
_DOUBLINGS: Final = 20


def subject_of_drive(place: PlaceId, token: str) -> str:
    """A drive during one mount."""
    return f"{place}@{token}"


def subject_of_bucket(place: PlaceId) -> str:
    """A bucket."""
    return place


def subject_of_line(place: PlaceId) -> str:
    """The line to a bucket."""
    return f"{_LINE}{place}"


def subject_of_shut(place: PlaceId) -> str:
    """A bucket that wants a person."""
    return f"{_SHUT}{place}"


def subjects_of_bucket(place: PlaceId) -> tuple[str, str, str]:
    """Everything that failures with a bucket are counted under."""
    return subject_of_bucket(place), subject_of_line(place), subject_of_shut(place)


def line_of(subject: str) -> PlaceId | None:
    """The bucket, where the subject is the line to one."""
    return PlaceId(subject.removeprefix(_LINE)) if subject.startswith(_LINE) else None


def shut_of(subject: str) -> PlaceId | None:
    """The bucket, where the subject is one that wants a person."""
    return PlaceId(subject.removeprefix(_SHUT)) if subject.startswith(_SHUT) else None


def until(setback: Setback, subject: str) -> datetime:
    """When it is tried again: after a minute, then twice as long each time, up to a bound.

    By chance up to a quarter more (``Setback.spread``).
    """
    doubled: timedelta = FIRST * (1 << min(setback.count - 1, _DOUBLINGS))
    return setback.last_at + min(doubled, _most(subject)) * (1 + SPREAD * setback.spread)


def _most(subject: str) -> timedelta:
    if line_of(subject) is not None:
        return MOST_FOR_A_LINE
    return MOST_FOR_A_DRIVE if "@" in subject or "|" in subject else MOST_FOR_A_BUCKET


def spread_of(chance: str, subject: str, count: int) -> float:
    """A number from 0 to 1 that follows from one piece of chance, for each try another."""
    data = f"{chance}|{subject}|{count}".encode("utf-8", "surrogateescape")
    return int.from_bytes(hashlib.blake2b(data, digest_size=_BITS // 8).digest()) / (1 << _BITS)


def setbacks(events: Iterable[Event], chance: str = "") -> dict[str, Setback]:
    """Runs of failures that no success has ended.

    Args:
        events: ``failed`` and ``worked``, in any order.
        chance: a random id, from which each wait's spread follows; empty: none is spread.
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
            found[event.subject] = Setback(
                count=count,
                last_at=event.at,
                message=event.detail,
                first_at=before.first_at if before is not None else event.at,
                spread=spread_of(chance, event.subject, count) if chance else 0.0,
            )
    return found


def waits(setbacks: Mapping[str, Setback], subjects: Iterable[str], now: datetime) -> str | None:
    """The subject that must be waited for longest, if one must be."""
    waiting = [
        subject
        for subject in subjects
        if subject in setbacks and until(setbacks[subject], subject) > now
    ]
    return max(waiting, key=lambda subject: until(setbacks[subject], subject), default=None)
