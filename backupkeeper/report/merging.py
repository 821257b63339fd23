"""What ``catalog merge`` brought, in words and as an object."""

from collections.abc import Mapping
from datetime import UTC

from backupkeeper.core.merging import MergeOutcome
from backupkeeper.core.rebuilding import TakenSnapshot
from backupkeeper.report.deeds import say_troubles
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.words import moment, plural, shown, told

Json = Mapping[str, object]


def merge_lines(outcome: MergeOutcome, look: Look) -> list[Line]:
    """The report on a terminal."""
    page = Page(look)
    if not outcome.taken:
        page.say("Nothing was taken over.", tone=Tone.WARN)
    elif outcome.dry_run:
        page.say(f"{_sum(outcome)} would be added. Nothing was written.")
    else:
        page.say(f"{_sum(outcome)} were added to the catalog.", tone=Tone.GOOD)
    for one in page.few(outcome.taken, indent=0):
        _say_taken(page, one)
    if outcome.unusable:
        page.head("Not taken over")
        for bad in page.few(outcome.unusable, indent=2):
            page.say(
                f"{shown(bad.where)}, {shown(bad.name)}: {told(bad.why)}",
                indent=2,
                first=f"{look.dash} ",
                tone=Tone.WARN,
            )
    say_troubles(page, outcome.troubles)
    return page.lines


def _sum(outcome: MergeOutcome) -> str:
    rolls = sum(one.rolls for one in outcome.taken)
    files = sum(one.files for one in outcome.taken)
    facts = sum(one.facts for one in outcome.taken)
    return f"{plural(rolls, 'roll')}, {plural(files, 'file')} and {plural(facts, 'fact')}"


def _say_taken(page: Page, one: TakenSnapshot) -> None:
    when = "" if one.taken_at is None else f", of {moment(one.taken_at, page.look.zone)}"
    page.head(f"From {shown(one.where)} (computer {one.catalog[:8]}{when})")
    page.say(
        f"{plural(one.rolls, 'new roll')}, {plural(one.files, 'new file')}, "
        f"{plural(one.facts, 'new fact')}",
        indent=2,
    )
    if one.places:
        names = ", ".join(shown(name) for name in one.places)
        page.say(f"Places that are new, or described otherwise now: {names}", indent=2)
    if one.settled_count:
        page.say(f"Told otherwise by the two, {one.settled_count:,} in all:", indent=2)
    for pair in one.settled:
        whose = "this catalog's" if pair.ours_counts else "the other's"
        page.say(
            f"{shown(pair.what)}: here {shown(pair.ours)}; there {shown(pair.theirs)}. "
            f"What counts is {whose}: {pair.rule}.",
            indent=4,
            first=f"{page.look.dash} ",
        )


def merge_json(outcome: MergeOutcome) -> Json:
    """The outcome as one object.

    ``{"version": 1, "dry_run", "sources": [where], "taken": [{"where", "name", "taken_at" (or null),
    "catalog", "new_rolls", "new_files", "new_facts", "places": [name], "told_otherwise_count",
    "told_otherwise": [{"what", "here", "there", "counts": "here"|"there", "rule"}]}], "unusable":
    [{"where", "name", "why"}], "troubles": [{"place", "path", "message"}]}``.
    """
    return {
        "version": 1,
        "dry_run": outcome.dry_run,
        "sources": list(outcome.sources),
        "taken": [_taken_json(one) for one in outcome.taken],
        "unusable": [
            {"where": one.where, "name": one.name, "why": one.why} for one in outcome.unusable
        ],
        "troubles": [
            {"place": one.place, "path": one.path, "message": one.message}
            for one in outcome.troubles
        ],
    }


def _taken_json(one: TakenSnapshot) -> Json:
    at = one.taken_at
    return {
        "where": one.where,
        "name": one.name,
        "taken_at": None if at is None else f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "catalog": one.catalog,
        "new_rolls": one.rolls,
        "new_files": one.files,
        "new_facts": one.facts,
        "places": list(one.places),
        "told_otherwise_count": one.settled_count,
        "told_otherwise": [
            {
                "what": pair.what,
                "here": pair.ours,
                "there": pair.theirs,
                "counts": "here" if pair.ours_counts else "there",
                "rule": pair.rule,
            }
            for pair in one.settled
        ],
    }
