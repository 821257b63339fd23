"""The places, in words."""

from collections.abc import Sequence

from backupkeeper.core.model import Place, PlaceKind, Standing
from backupkeeper.core.outcomes import PlaceReport
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.words import plural, shown, size, told


def places_lines(places: Sequence[PlaceReport], look: Look) -> list[Line]:
    """Every place: what it is, whether it is here, what it holds by the facts."""
    page = Page(look)
    if not places:
        page.say("There is no place yet. Take in the first, for example:")
        page.line("    backupkeeper place add /media/me/MAIN --role primary --name Main")
    for one in places:
        page.gap()
        _say_place(page, one)
    return page.lines


def _say_place(page: Page, one: PlaceReport) -> None:
    place, look = one.place, page.look
    mark = look.full if one.connected or place.kind is PlaceKind.BUCKET else look.open
    page.line(
        f"{mark} {shown(place.name)}  ({place.role}, {_kind(place)}, {_here(one)})", Tone.HEAD
    )
    page.line(f"    {shown(place.location)}")
    if place.endpoint:
        page.line(f"    at {shown(place.endpoint)}")
    holds = f"{plural(one.files_held, 'copy', 'copies')}, {size(one.bytes_held)}"
    free = f"; {size(one.free_bytes)} free" if one.free_bytes is not None else ""
    if place.size_bytes is not None:
        free += f" of {size(place.size_bytes)}" if free else f"; {size(place.size_bytes)} in all"
    page.say(f"{holds}{free}", indent=4)
    if one.note:
        page.say(told(one.note), indent=4, tone=Tone.WARN)


def _kind(place: Place) -> str:
    if place.kind is PlaceKind.DRIVE and place.spins:
        return "spinning drive"
    return place.kind.value


def _here(one: PlaceReport) -> str:
    if one.place.standing is not Standing.ACTIVE:
        return one.place.standing.value
    if one.place.kind is PlaceKind.BUCKET:
        return "asked when it is used"
    return "here" if one.connected else "not here"


def added_lines(place: Place, look: Look) -> list[Line]:
    """A place that was just taken in."""
    page = Page(look)
    page.say(f"Taken in: {shown(place.name)} as {place.role} ({_kind(place)}).", tone=Tone.GOOD)
    page.line(f"  {shown(place.location)}")
    facts = []
    if place.label:
        facts.append(f"labelled {shown(place.label)}")
    if place.fs_uuid:
        facts.append(f"file system {shown(place.fs_uuid)}")
    if place.size_bytes is not None:
        facts.append(size(place.size_bytes))
    if facts:
        page.say(", ".join(facts), indent=2, tone=Tone.QUIET)
    if place.kind is PlaceKind.FOLDER:
        page.say(
            "It is a folder: whatever else is on its device shares its fate.",
            indent=2,
            tone=Tone.WARN,
        )
    return page.lines
