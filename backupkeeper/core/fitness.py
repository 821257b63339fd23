"""What speaks against a deed, or against writing to a drive, whatever devices are free. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from backupkeeper.core.deeds import Deed, DeedKind, DriveHere, Setback, View
from backupkeeper.core.model import PlaceId
from backupkeeper.core.patience import (
    line_of,
    subject_of_bucket,
    subject_of_drive,
    subjects_of_bucket,
    until,
    waits,
)

NAMING: Final = frozenset({DeedKind.OFFLOAD, DeedKind.ADOPT})
"""Deeds that give names to rolls: one at a time may."""
SPARE_BYTES: Final = 64 * 1024 * 1024
"""Room left on every drive, as ``actions.room`` leaves it."""


def subjects(view: View, deed: Deed) -> Iterator[str]:
    """What its failures may have been counted under."""
    yield deed.key
    if deed.card is not None:
        yield deed.card
    for place in deed.places:
        if place in view.drives:
            yield subject(view, place)
        else:
            yield from subjects_of_bucket(place)


def subject(view: View, place: PlaceId) -> str:
    """What failures of a place are counted under now."""
    if place in view.drives:
        return subject_of_drive(place, view.drives[place].token)
    return subject_of_bucket(place)


def obstacle(view: View, deed: Deed) -> tuple[str, datetime | None]:
    """Why it can't begin now whatever is free, and when that ends by itself; no text: it can."""
    if view.paused and not deed.asked:
        return "You asked for a pause.", None
    if view.naming and deed.kind in NAMING:
        return f"Another program is at work: {view.naming}.", None
    for place in deed.places:
        if place in view.lent:
            return f"Another program is at work there: {view.lent[place]}.", None
    reads = {DeedKind.PROVE, DeedKind.REPAIR, DeedKind.POSTERS}
    if deed.kind in reads and deed.place in view.doubted:
        name = view.places[deed.place].name if deed.place in view.places else "The drive"
        return f"{name} is in doubt as a whole: try another cable and port.", None
    waiting = waits(view.setbacks, subjects(view, deed), view.now)
    if waiting is not None:
        setback = view.setbacks[waiting]
        return _told(setback, waiting), until(setback, waiting)
    return _disturbed(view, deed), None


def _told(setback: Setback, subject: str) -> str:
    if line_of(subject) is not None:
        return f"The line is down: {setback.message}"
    times = "once" if setback.count == 1 else f"{setback.count} times"
    return f"It failed {times}: {setback.message}"


def _disturbed(view: View, deed: Deed) -> str:
    """Why a deed that can wait should not disturb the person; no text: it does not."""
    if deed.kind not in {DeedKind.PROVE, DeedKind.POSTERS, DeedKind.UPLOAD}:
        return ""
    disks = [view.drives[place].device for place in deed.places if place in view.drives]
    busy = next((one for one in view.busy if any(shares(one, disk) for disk in disks)), None)
    return f"You work on that drive: {view.busy[busy]}" if busy is not None else ""


def shares(one: str, other: str) -> bool:
    """Whether two devices rest on one disk; ``one+two`` names several."""
    return not set(one.split("+")).isdisjoint(other.split("+"))


@dataclass(frozen=True, kw_only=True, slots=True)
class Unfit:
    """Why nothing can be written to a drive now, and when that ends by itself."""

    why: str
    at: datetime | None = None
    full: PlaceId | None = None
    person: bool = False


def unfit(view: View, drive: DriveHere, size_bytes: int) -> Unfit | None:
    """What speaks against writing so much to a drive now."""
    name = view.places[drive.place].name
    if drive.read_only:
        return Unfit(why=f"{name} is mounted read-only.", person=True)
    if drive.free_bytes < size_bytes + SPARE_BYTES:
        told = f"{drive.free_bytes:,} bytes are free, {size_bytes + SPARE_BYTES:,} are needed"
        return Unfit(why=f"{name} is full: {told}.", full=drive.place, person=True)
    if drive.place in view.lent:
        return Unfit(why=f"Another program is at work on {name}: {view.lent[drive.place]}.")
    failing = subject(view, drive.place)
    if waits(view.setbacks, [failing], view.now) is not None:
        setback = view.setbacks[failing]
        return Unfit(why=f"{name} failed: {setback.message}", at=until(setback, failing))
    return None
