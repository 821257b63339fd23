"""What ``rebuild`` found and what is known now, in words and as an object.

Promise: what was only taken over is never called proven or shown; what is missing, and what to do
next, is said.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Final

from backupkeeper.core.model import Place, PlaceKind, Standing
from backupkeeper.core.rebuilding import PlaceNow, RebuildOutcome, TakenSnapshot, UnknownRoll
from backupkeeper.core.typed import typed
from backupkeeper.report.deeds import say_troubles
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.words import moment, plural, shown, size, told

Json = Mapping[str, object]
TAKE_IN: Final = (
    "Take in the rolls that no snapshot knew: they are read for that (those in a bucket downloaded), "
    "and none of them counts before. The daemon does it for drives by itself."
)


def rebuild_lines(outcome: RebuildOutcome, look: Look) -> list[Line]:
    """The report on a terminal."""
    page = Page(look)
    held = f"{plural(outcome.rolls, 'roll')}, {plural(outcome.files, 'file')}, {size(outcome.size_bytes)}"
    if outcome.dry_run:
        page.say(f"The snapshots there would give: {held}. Nothing was written.")
    elif outcome.taken:
        page.say(f"The catalog knows now: {held}.", tone=Tone.GOOD)
    else:
        page.say(f"No usable snapshot was found. The catalog knows now: {held}.", tone=Tone.WARN)
    _say_snapshots(page, outcome)
    _say_places(page, outcome)
    _say_unknown(page, outcome)
    if outcome.unfinished:
        page.head("Offloads that were begun and not finished")
        page.paths(outcome.unfinished, indent=2)
    say_troubles(page, outcome.troubles)
    _say_next(page, outcome)
    return page.lines


def _say_snapshots(page: Page, outcome: RebuildOutcome) -> None:
    if outcome.taken:
        page.head("Snapshots would be taken over" if outcome.dry_run else "Snapshots taken over")
        for one in page.few(outcome.taken, indent=2):
            when = moment(_taken_at(one), page.look.zone)
            page.say(
                f"of {when}, from {shown(one.where)}: {plural(one.rolls, 'new roll')}, "
                f"{plural(one.facts, 'new fact')} (computer {one.catalog[:8]})",
                indent=2,
                first=f"{page.look.dash} ",
            )
    if outcome.unusable:
        page.head("Snapshots that could not be used")
        replaced = set(outcome.replaced)
        for bad in page.few(outcome.unusable, indent=2):
            rest = " Another one stood in for it." if bad in replaced else ""
            page.say(
                f"{shown(bad.where)}: {told(bad.why)}{rest}",
                indent=2,
                first=f"{page.look.dash} ",
                tone=Tone.PLAIN if rest else Tone.WARN,
            )


def _say_places(page: Page, outcome: RebuildOutcome) -> None:
    if not outcome.places:
        return
    page.head("Places")
    for one in page.few(outcome.places, indent=2):
        page.say(
            f"{shown(one.place.name)} ({one.place.role}): {_how(one)}",
            indent=2,
            first=f"{page.look.dash} ",
        )


def _how(one: PlaceNow) -> str:
    if one.place.standing is not Standing.ACTIVE:
        return one.place.standing.value
    where = shown(one.place.location)
    if one.place.kind is PlaceKind.BUCKET:
        return f"{where}, looked at" if one.looked_at else f"{where}, not looked at"
    return f"here, at {where}" if one.here else f"not here (last seen at {where})"


def _say_unknown(page: Page, outcome: RebuildOutcome) -> None:
    new = [one for one in outcome.unknown if one.taken_in]
    left = [one for one in outcome.unknown if not one.taken_in]
    if new:
        page.head("Rolls that no snapshot knew, read and taken in")
        for one in page.few(new, indent=2):
            _say_roll(page, one)
    if left:
        page.head("Rolls that no snapshot knew, not taken in")
        for one in page.few(left, indent=2):
            _say_roll(page, one)


def _say_roll(page: Page, one: UnknownRoll) -> None:
    known = (
        "all of them with hashes in its manifests"
        if one.known_by_manifest == one.files
        else f"{one.known_by_manifest} of them with hashes in manifests"
    )
    page.say(
        f"{shown(one.place)}: {shown(one.folder)} ({plural(one.files, 'file')}, "
        f"{size(one.size_bytes)}, {known})",
        indent=2,
        first=f"{page.look.dash} ",
    )
    if one.why:
        page.say(told(one.why), indent=6, tone=Tone.WARN)


def _say_next(page: Page, outcome: RebuildOutcome) -> None:
    steps = list(_steps(outcome))
    if not steps:
        return
    page.head("What to do next")
    for what, command in steps:
        page.say(what, indent=2, first=f"{page.look.dash} ")
        if command:
            page.line(f"      {command}")


def _from(bucket: Place) -> str:
    """The options that name a bucket; without them only drives are looked at."""
    words = ["--from", typed(bucket.location)]
    words += ["--endpoint", typed(bucket.endpoint)] if bucket.endpoint else []
    words += ["--profile", typed(bucket.profile)] if bucket.profile else []
    return " ".join(words)


def _steps(outcome: RebuildOutcome) -> list[tuple[str, str]]:
    if outcome.dry_run:
        found = outcome.taken or outcome.unknown
        return [("To do it, repeat the command without --dry-run.", "")] if found else []
    steps = []
    waiting = {one.place for one in outcome.unknown if not one.taken_in}
    buckets = {
        one.place.name: one.place for one in outcome.places if one.place.kind is PlaceKind.BUCKET
    }
    if waiting - buckets.keys():
        steps.append((TAKE_IN, "backupkeeper rebuild --merge --take-in"))
    steps += [
        (TAKE_IN, f"backupkeeper rebuild --merge --take-in {_from(buckets[name])}")
        for name in sorted(waiting & buckets.keys())
    ]
    steps += [
        (
            "A bucket that was not looked at may have a newer snapshot:",
            f"backupkeeper rebuild --merge {_from(one.place)}",
        )
        for one in outcome.places
        if one.place.kind is PlaceKind.BUCKET
        and not one.looked_at
        and one.place.standing is Standing.ACTIVE
    ]
    away = [
        one.place.name
        for one in outcome.places
        if one.place.kind is not PlaceKind.BUCKET
        and not one.here
        and one.place.standing is Standing.ACTIVE
    ]
    if away:
        names = ", ".join(shown(name) for name in away)
        steps.append((f"Plug in what is not here ({names}); a newer snapshot may lie there:",
                      "backupkeeper rebuild --merge"))  # fmt: skip
    if outcome.rolls and outcome.taken:
        steps.append(
            (
                "What the snapshots say was taken over as it was said. To see it with your own eyes:",
                "backupkeeper verify",
            )
        )
    return steps


def rebuild_json(outcome: RebuildOutcome) -> Json:
    """The outcome as one object.

    ``{"version": 1, "dry_run", "sources": [where], "rolls", "files", "bytes", "snapshots": [{"where",
    "name", "taken_at", "catalog", "new_rolls", "new_facts"}], "unusable": [{"where", "name", "why"}],
    "places": [{"name", "role", "kind", "location", "here", "looked_at"}], "unknown": [{"place",
    "folder", "files", "bytes", "known_by_manifest", "taken_in", "why"}], "unfinished": [folder],
    "troubles": [{"place", "path", "message"}]}``.
    """
    return {
        "version": 1,
        "dry_run": outcome.dry_run,
        "sources": list(outcome.sources),
        "rolls": outcome.rolls,
        "files": outcome.files,
        "bytes": outcome.size_bytes,
        "snapshots": [
            {
                "where": one.where,
                "name": one.name,
                "taken_at": _utc(_taken_at(one)),
                "catalog": one.catalog,
                "new_rolls": one.rolls,
                "new_facts": one.facts,
            }
            for one in outcome.taken
        ],
        "unusable": [
            {"where": one.where, "name": one.name, "why": one.why} for one in outcome.unusable
        ],
        "places": [
            {
                "name": one.place.name,
                "role": one.place.role.value,
                "kind": one.place.kind.value,
                "location": one.place.location,
                "here": one.here,
                "looked_at": one.looked_at,
            }
            for one in outcome.places
        ],
        "unknown": [
            {
                "place": one.place,
                "folder": one.folder,
                "files": one.files,
                "bytes": one.size_bytes,
                "known_by_manifest": one.known_by_manifest,
                "taken_in": one.taken_in,
                "why": one.why,
            }
            for one in outcome.unknown
        ],
        "unfinished": list(outcome.unfinished),
        "troubles": [
            {"place": one.place, "path": one.path, "message": one.message}
            for one in outcome.troubles
        ],
    }


def _taken_at(one: TakenSnapshot) -> datetime:
    assert one.taken_at is not None  # a rebuild takes snapshots only, whose names say it
    return one.taken_at


def _utc(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
