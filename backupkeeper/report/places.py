"""Places in words and as JSON.

JSON of ``place list``, version 1: ``{"version", "places": [place]}``; of ``place add``:
``{"version", "place": place}``. A place is ``{"id", "name", "role", "kind", "location", "standing",
"created_at", "label", "fs_uuid", "device", "size_bytes", "spins", "endpoint", "profile"}``; in a list
also ``{"connected", "files_held", "bytes_held", "free_bytes", "note"}``. ``connected`` of a bucket is
null: it is asked only when something is done with it.
"""

from collections.abc import Sequence
from typing import Any

from backupkeeper.core.model import Place, PlaceKind, Role, Standing
from backupkeeper.core.outcomes import PlaceReport
from backupkeeper.report.lines import Line, Look, Page, Tone, iso
from backupkeeper.report.words import plural, size


def place_object(place: Place) -> dict[str, Any]:
    """A place for JSON."""
    return {
        "id": place.id,
        "name": place.name,
        "role": place.role.value,
        "kind": place.kind.value,
        "location": place.location,
        "standing": place.standing.value,
        "created_at": iso(place.created_at),
        "label": place.label,
        "fs_uuid": place.fs_uuid,
        "device": place.device,
        "size_bytes": place.size_bytes,
        "spins": place.spins,
        "endpoint": place.endpoint,
        "profile": place.profile,
    }


def added_object(place: Place) -> dict[str, Any]:
    """A place that was taken in, for JSON."""
    return {"version": 1, "place": place_object(place)}


def places_object(reports: Sequence[PlaceReport]) -> dict[str, Any]:
    """All places for JSON."""
    return {
        "version": 1,
        "places": [
            {
                **place_object(one.place),
                "connected": None if one.place.kind is PlaceKind.BUCKET else one.connected,
                "files_held": one.files_held,
                "bytes_held": one.bytes_held,
                "free_bytes": one.free_bytes,
                "note": one.note,
            }
            for one in reports
        ],
    }


def added_lines(place: Place, look: Look) -> list[Line]:
    """A place that was taken in, for a person."""
    page = Page(look=look)
    page.say(
        f"Taken in: {place.name}, role {place.role.value}, a {place.kind.value}.", tone=Tone.GOOD
    )
    page.path(place.location, indent=2)
    if place.kind is PlaceKind.BUCKET:
        page.say("Fill it with: backupkeeper upload", indent=2, hang=2)
    elif place.kind is PlaceKind.FOLDER:
        page.say(
            "A folder shares its device with whatever else is there: both are lost together.",
            indent=2,
        )
    return page.lines


def places_lines(reports: Sequence[PlaceReport], look: Look) -> list[Line]:
    """All places for a person, by role."""
    page = Page(look=look)
    if not reports:
        page.say("No place was taken in yet. Begin with:")
        page.say("backupkeeper place add /media/me/MAIN --role primary --name Main", indent=2)
        return page.lines
    for role in Role:
        mine = [one for one in reports if one.place.role is role]
        page.head(role.value)
        if not mine:
            page.say("none", indent=2)
        for one in mine:
            _place(page, one)
    return page.lines


def _place(page: Page, one: PlaceReport) -> None:
    place = one.place
    page.say(f"{place.name}: {_here(one)}", indent=2, hang=2)
    page.path(place.location, indent=4)
    told = f"holds {plural(one.files_held, 'file')} ({size(one.bytes_held)}) by the catalog"
    if one.free_bytes is not None:
        told += f"; {size(one.free_bytes)} free"
        told += f" of {size(place.size_bytes)}" if place.size_bytes else ""
    page.say(told, indent=4, hang=2)
    if one.note:
        page.say(one.note, indent=4, hang=2)


def _here(one: PlaceReport) -> str:
    if one.place.standing is not Standing.ACTIVE:
        return f"{one.place.standing.value}, does not count"
    if one.place.kind is PlaceKind.BUCKET:
        return "a bucket, not asked now"
    return "connected" if one.connected else "not connected"
