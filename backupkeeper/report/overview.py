"""The report on a terminal: the answer on top, then what to do, then what all of that rests on.

Promises:
1. The first line is ``overview_words.answer``; every line says the same without its colour.
2. Commands and paths stand on lines of their own and are never broken.
3. What is not known is said to be not known; what was never looked at is not called well.
"""

from datetime import tzinfo

from backupkeeper.core.drilling import Drilled, DrillResult
from backupkeeper.core.model import Role, Standing
from backupkeeper.core.outcomes import RollCover
from backupkeeper.core.overview import BucketLine, DriveLine, Harm, Overview, Worry
from backupkeeper.core.trends import Level
from backupkeeper.report.arrivals import arrival_text
from backupkeeper.report.gaps import doubled_names, say_roll, say_snapshots, say_step
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.overview_words import (
    ages_words,
    answer,
    day,
    filling_words,
    harm_words,
    kind_words,
    standing_words,
)
from backupkeeper.report.words import age, cells, count, moment, plural, shown, size, told

_TONES = {Worry.NONE: Tone.GOOD, Worry.SOON: Tone.WARN, Worry.NOW: Tone.BAD}


def overview_lines(overview: Overview, look: Look) -> list[Line]:
    """The whole report."""
    page = Page(look)
    page.say(answer(overview), tone=_TONES[overview.worry])
    page.say(_what_there_is(overview, look), tone=Tone.QUIET)
    if overview.steps:
        page.head("What to do, most urgent first")
        for step in overview.steps:
            say_step(page, step)
    if overview.gaps.unfinished:
        page.head("Offloads that were not finished")
        page.paths(overview.gaps.unfinished, indent=2)
    _say_rolls(page, overview)
    _say_places(page, overview)
    if overview.gaps.rolls:
        _say_ages(page, overview)
        _say_harms(page, overview)
        _say_drills(page, overview)
    say_snapshots(page, overview.gaps)
    for note in overview.notes:
        page.gap()
        page.say(told(note), tone=Tone.QUIET)
    _say_daemon(page, overview)
    return page.lines


def _what_there_is(overview: Overview, look: Look) -> str:
    rolls = overview.gaps.rolls
    at = moment(overview.at, look.zone)
    if not rolls:
        return f"As of {at}."
    shoots = plural(len({cover.roll.shoot for cover in rolls}), "shoot")
    held = size(sum(cover.roll.size_bytes for cover in rolls))
    return f"{plural(len(rolls), 'roll')} of {shoots}, {held}, as of {at}."


# -- shoots and rolls


def _say_rolls(page: Page, overview: Overview) -> None:
    lacking, doubled = overview.gaps.with_gaps, doubled_names(overview.gaps)
    if lacking:
        page.head("Rolls with a gap, worst first")
        for cover in page.few(lacking, indent=2):
            say_roll(page, cover, overview.gaps, doubled)
    shoots: dict[str, list[RollCover]] = {}
    for cover in sorted(overview.gaps.rolls, key=lambda one: one.roll.shoot, reverse=True):
        shoots.setdefault(cover.roll.shoot, []).append(cover)
    if shoots:
        page.head("Shoots, newest first")
        for shoot, covers in page.few(list(shoots.items()), indent=2):
            _say_shoot(page, shoot, covers)


def _say_shoot(page: Page, shoot: str, covers: list[RollCover]) -> None:
    look = page.look
    held = size(sum(cover.roll.size_bytes for cover in covers))
    holds = f"{plural(len(covers), 'roll')}, {held}"
    marks = [_mark(role, covers, look) for role in covers[0].roles]
    name = f"  {shown(shoot)}"
    row = f"{holds}  {'  '.join(marks)}"
    if cells(name) + 2 + cells(row) <= look.width:
        page.line(f"{name}{' ' * (look.width - cells(name) - cells(row))}{row}")
        return
    page.line(name)
    page.say(holds, indent=4)
    if cells("  ".join(marks)) + 4 <= look.width:
        page.line(f"    {'  '.join(marks)}")
    else:
        for mark in marks:
            page.line(f"    {mark}")


def _mark(role: Role, covers: list[RollCover], look: Look) -> str:
    """``■ primary``, ``□ cloud 3 of 12``: of how many rolls all is proven there."""
    full = sum(role not in cover.gaps for cover in covers)
    if full == len(covers):
        return f"{look.full} {role}"
    return f"{look.open} {role} {count(full)} of {count(len(covers))}"


# -- places


def _say_places(page: Page, overview: Overview) -> None:
    if overview.drives:
        page.head("Drives")
        for line in overview.drives:
            _say_drive(page, line, overview)
    if overview.buckets:
        page.head("Buckets")
        for bucket in overview.buckets:
            _say_bucket(page, bucket, overview)


def _say_drive(page: Page, line: DriveLine, overview: Overview) -> None:
    look, place = page.look, line.place
    mark = look.full if line.is_here else look.open
    where = standing_words(line, overview.at)
    page.say(f"{shown(place.name)} ({kind_words(place)}): {where}", indent=2, first=f"{mark} ")
    indent = 2 + cells(mark) + 1
    page.say(_room(line, overview), indent=indent)
    if place.standing is not Standing.ACTIVE:
        return
    if line.free_bytes is not None:
        page.say(_first_up(filling_words(line.filling, overview.at, look.zone)), indent=indent)
    page.say(_proofs(line, overview, look.zone), indent=indent)
    if line.is_bare:
        page.say("Here without its marker: nothing on it counts.", indent=indent, tone=Tone.BAD)
    if line.in_doubt:
        page.say("In doubt as a whole: nothing is mended there.", indent=indent, tone=Tone.BAD)
    if line.advice is not None and line.advice.level is not Level.FINE:
        tone = Tone.BAD if line.advice.level is Level.REPLACE else Tone.WARN
        page.say(_first_up(told(line.advice.words)) + ".", indent=indent, tone=tone)


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _room(line: DriveLine, overview: Overview) -> str:
    holds = f"{plural(line.held_files, 'file')}, {size(line.held_bytes)}"
    if line.place.standing is not Standing.ACTIVE:
        return f"Held {holds}"
    holds = f"Holds {holds}"
    if line.free_bytes is None:
        return f"{holds}; its free space was never looked at"
    whole = f" of {size(line.place.size_bytes)}" if line.place.size_bytes is not None else ""
    when = "" if line.is_here or line.free_at is None else f" {age(line.free_at, overview.at)}"
    return f"{holds}; {size(line.free_bytes)}{whole} free{when}"


def _proofs(line: DriveLine | BucketLine, overview: Overview, zone: tzinfo) -> str:
    if not line.held_files:
        return "Nothing is there that could be proven"
    if line.last_proven is None:
        return "Nothing on it is proven"
    last = f"Last proven {age(line.last_proven, overview.at)}"
    if line.oldest_proof is None or line.oldest_proof == line.last_proven:
        return last
    return f"{last}, its oldest proof is of {day(line.oldest_proof, zone)}"


def _say_bucket(page: Page, line: BucketLine, overview: Overview) -> None:
    look, place = page.look, line.place
    is_active = place.standing is Standing.ACTIVE
    where = "" if is_active else f": {place.standing}"
    mark = look.full if is_active and line.held_files else look.open
    page.say(f"{shown(place.name)} ({kind_words(place)}){where}", indent=2, first=f"{mark} ")
    indent = 2 + cells(mark) + 1
    holds = f"{plural(line.held_files, 'file')}, {size(line.held_bytes)}"
    page.say(f"{'Holds' if is_active else 'Held'} {holds}", indent=indent)
    if not is_active:
        return
    page.say(_proofs(line, overview, look.zone), indent=indent)
    if line.held_files:
        fetched = plural(line.fetched_files, "file")
        page.say(f"Fetched back and right: {fetched}", indent=indent)
    if line.arrival is not None:
        page.say(arrival_text(line.arrival, overview.at, look.zone), indent=indent)


# -- proofs, damage, drills


def _say_ages(page: Page, overview: Overview) -> None:
    by_role: dict[Role, list[str]] = {}
    for one in overview.proof_ages:
        if one.files:
            by_role.setdefault(one.role, []).append(f"{ages_words(one)}: {count(one.files)}")
    if by_role:
        page.head("How old the proofs are, in copies")
        for role, told_ages in by_role.items():
            page.say(f"{role}: {'; '.join(told_ages)}", indent=2)


def _say_harms(page: Page, overview: Overview) -> None:
    page.head("Damage and repairs of the last year")
    if not overview.harms:
        page.say("No damage was found.", indent=2)
    order = sorted(overview.harms, key=lambda one: one.mended_at is not None)
    for harm in page.few(order, indent=2):
        tone = Tone.BAD if harm.mended_at is None else Tone.PLAIN
        said = f"{shown(harm.place)}: {harm_words(harm, overview.at)}{_hurt(harm)}"
        page.say(said, indent=2, first=f"{page.look.dash} ", tone=tone)
        page.line(f"    {shown(harm.path)}")


def _hurt(harm: Harm) -> str:
    if harm.hurt_bytes is None:
        return ""
    return f" ({size(harm.hurt_bytes)} of {size(harm.size_bytes)})"


_DRILLS = {
    DrillResult.RIGHT: "all {} came back right",
    DrillResult.WRONG: "not everything came back right",
    DrillResult.UNFINISHED: "not brought to its end, which shows nothing",
}


def _say_drills(page: Page, overview: Overview) -> None:
    page.head("Restore drills")
    if not overview.drills:
        page.say("There never was one: nothing shows yet that a shoot comes back whole.", indent=2)
    for one in page.few(overview.drills, indent=2):
        tone = Tone.BAD if one.result is DrillResult.WRONG else Tone.PLAIN
        page.say(_drill(one, page.look), indent=2, first=f"{page.look.dash} ", tone=tone)


def _drill(one: Drilled, look: Look) -> str:
    came = _DRILLS[one.result].format(plural(one.files, "file"))
    return f"{day(one.at, look.zone)}: {shown(one.shoot)} from {shown(one.place)}: {came}"


def _say_daemon(page: Page, overview: Overview) -> None:
    page.gap()
    if overview.unheard:
        page.say(overview.unheard, tone=Tone.WARN)
    elif overview.status is None:
        page.say("No daemon runs: nothing of this is done by itself.", tone=Tone.QUIET)
    elif overview.next_at is not None:
        at = moment(overview.next_at, page.look.zone)
        page.say(f"The daemon runs; the next weekly report comes on {at}.", tone=Tone.QUIET)
    else:
        page.say("The daemon runs; it sends no weekly report.", tone=Tone.QUIET)
