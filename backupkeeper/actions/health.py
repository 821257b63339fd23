"""What is known of a drive's health: what it says of itself, and what readings of it came to.

Promises:
1. A drive is asked at most once a day, right after it was read, so that none is woken for it.
2. Nothing is said of a drive's health but what was seen, with its figures.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any, Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.model import Event, EventKind, Place, PlaceId, PlaceKind, Standing
from backupkeeper.core.sightings import newly_bad
from backupkeeper.core.trends import Advice, Level, Seen, SmartSigns, advice
from backupkeeper.drives.smart import Smart

EVERY: Final = timedelta(hours=23)
BACK: Final = timedelta(days=365)
READS_BACK: Final = timedelta(days=90)
LONG_ENOUGH_S: Final = 20.0
"""Shorter readings say nothing about a drive's rate."""


def note_health(context: Context, drive: OnlineDrive, smart: Smart | None = None) -> None:
    """Ask a drive that was just read how it is, and remember what it says; once a day."""
    now = context.clock.now()
    known = context.catalog.latest(EventKind.HEALTH).get(drive.place.id)
    lately = known is not None and timedelta(0) <= now - known.at < EVERY
    if drive.info.block_device is None or lately:
        return
    answer = (smart or Smart()).ask(drive.info.block_device, now)
    told = {"signs": _plain(answer.signs), "why_not": answer.why_not}
    context.catalog.note(
        [Event(at=now, kind=EventKind.HEALTH, subject=drive.place.id, detail=json.dumps(told))]
    )


def _plain(signs: SmartSigns | None) -> dict[str, Any] | None:
    return None if signs is None else asdict(signs) | {"at": signs.at.isoformat()}


def advice_on(context: Context, place: Place, now: datetime) -> Advice:
    """What to do about a drive, with its reasons."""
    loads = context.catalog.proof_ages(place.id)
    reads = sum(load.files for load in loads if load.at >= now - READS_BACK)
    return _advice(context, place, now, reads)


def _advice(context: Context, place: Place, now: datetime, reads: int) -> Advice:
    catalog = context.catalog
    answers = [
        signs
        for event in catalog.events((EventKind.HEALTH,), since=now - BACK, subject=place.id)
        if (signs := _signs(event.detail)) is not None
    ]
    seen = Seen(
        bad=newly_bad(catalog.facts_around_harm(place.id, now - BACK)),
        reads=reads,
        rates=tuple(_rates(context, place.id, now - BACK)),
        smart=answers[-1] if answers else None,
        first_seen=place.created_at,
    )
    return advice(seen, now, earlier=answers[0] if len(answers) > 1 else None)


def _signs(detail: str) -> SmartSigns | None:
    try:
        told = json.loads(detail)["signs"]
        if told is None:
            return None
        at = datetime.fromisoformat(told.pop("at"))
        critical, warnings = tuple(told.pop("critical")), tuple(told.pop("warnings"))
        return SmartSigns(at=at, critical=critical, warnings=warnings, **told)
    except (ValueError, TypeError, KeyError, AttributeError):
        return None


def _rates(context: Context, place: PlaceId, since: datetime) -> Iterator[tuple[datetime, float]]:
    subject = f"{DeedKind.PROVE}|{place}"
    for event in context.catalog.events((EventKind.MOVED,), since=since, subject=subject):
        count, _, seconds = event.detail.partition(" ")
        try:
            took = float(seconds)
            if took >= LONG_ENOUGH_S:
                yield event.at, int(count) / took
        except ValueError:
            continue


def advice_on_drives(context: Context, now: datetime) -> Mapping[PlaceId, Advice]:
    """What to do about each drive of which anything bad is known."""
    drives = [
        place
        for place in context.catalog.places()
        if place.kind is not PlaceKind.BUCKET and place.standing is Standing.ACTIVE
    ]
    # How many copies were read is told only where nothing bad is known: those are left out here.
    told = {place.id: _advice(context, place, now, reads=0) for place in drives}
    return {place: one for place, one in told.items() if one.level is not Level.FINE}


def sentence(name: str, one: Advice) -> str:
    """What to do about a drive, in one line for a person."""
    return f"{name}: {one.words}. {' '.join(one.reasons)}"
