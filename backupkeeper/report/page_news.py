"""The page's news: what is on the way, damage and repairs, restore drills."""

from datetime import datetime, tzinfo
from typing import Final

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.drilling import Drilled, DrillResult
from backupkeeper.core.line import WAITS_FOR_HOURS
from backupkeeper.core.model import Result
from backupkeeper.core.overview import Harm, Overview
from backupkeeper.core.status import CardStatus, DeedStatus, LineStatus, Status, WaitStatus
from backupkeeper.report.arrivals import arrival_text
from backupkeeper.report.html import Child, Markup, Shape, Tone, element, joined, name, state
from backupkeeper.report.page_tables import cell, row, table, under
from backupkeeper.report.page_words import label, moment_of, sentence
from backupkeeper.report.status import bytes_words
from backupkeeper.report.words import count, duration, limit, plural, rate, size

MOST_WAITING: Final = 12
MOST_HARMS: Final = 40
"""So many stand open; the rest is folded."""
_FOUND: Final = {
    Result.MATCHES: "matches",
    Result.DAMAGED: "other bytes than were written (rot)",
    Result.CHANGED: "edited",
    Result.MISSING: "missing",
    Result.UNREADABLE: "sectors that can't be read",
    Result.CUT_OFF: "cut off",
    Result.UNSTABLE: "never read the same twice",
}
_DRILLS: Final = {
    DrillResult.RIGHT: (Shape.FULL, Tone.GOOD, "came back whole"),
    DrillResult.WRONG: (Shape.CROSS, Tone.BAD, "did not come back right"),
    DrillResult.UNFINISHED: (Shape.DASH, Tone.QUIET, "could not be ended: shows nothing"),
}


def on_the_way(overview: Overview, zone: tzinfo) -> Markup:
    """What the daemon is at, what waits, and when each bucket will have all."""
    status = overview.status
    parts: list[Child] = [element("h2", "On the way")]
    arrivals = [one.arrival for one in overview.buckets if one.arrival is not None]
    parts += [_arrival(one, overview.at, zone) for one in arrivals]
    if overview.unheard:
        parts.append(element("p", state(Shape.DASH, Tone.WARN, overview.unheard)))
    elif status is None:
        parts.append(
            element(
                "p",
                state(Shape.DASH, Tone.QUIET, "No daemon was running"),
                ": nothing is done by itself. Start it with ",
                element("code", "backupkeeper service install", class_="type"),
            )
        )
    else:
        parts += _daemon(status, zone)
        if not (arrivals or status.under_way or status.waiting):
            parts.append(element("p", "Nothing is under way, and nothing waits."))
    return element("section", *parts, id="on-the-way")


def _arrival(arrival: Arrival, now: datetime, zone: tzinfo) -> Markup:
    return element("p", sentence(arrival_text(arrival, now, zone)), class_="arrival")


def _daemon(status: Status, zone: tzinfo) -> list[Child]:
    parts: list[Child] = []
    if status.paused_until is not None:
        parts.append(
            element(
                "p",
                state(Shape.DASH, Tone.WARN, "Paused"),
                " until ",
                moment_of(status.paused_until, zone),
                ". To go on: ",
                element("code", "backupkeeper resume", class_="type"),
            )
        )
    parts += _line(status.line, zone)
    cards = [element("li", *_card(one, zone)) for one in status.cards]
    parts += _listed("Cards in a reader", cards)
    if status.under_way:
        rows = [_deed(one) for one in status.under_way]
        parts.append(table("deeds", "What was under way", rows, is_told=False))
    waits = [element("li", *_wait(one)) for one in status.waiting[:MOST_WAITING]]
    rest = len(status.waiting) - MOST_WAITING
    if rest > 0:
        waits.append(element("li", f"and {count(rest)} more"))
    parts += _listed("Waiting", waits)
    failing = [element("li", sentence(one)) for one in status.failing]
    parts += _listed("Failed, and tried again", failing)
    strangers = [element("li", sentence(one)) for one in status.strangers]
    return parts + _listed("Plugged in, and none of yours", strangers)


def _listed(head: str, entries: list[Markup]) -> list[Child]:
    return [element("h3", head), element("ul", *entries)] if entries else []


def _line(line: LineStatus, zone: tzinfo) -> list[Child]:
    until: list[Child] = (
        [" (until ", moment_of(line.changes_at, zone), ")"] if line.changes_at else []
    )
    said: list[Child] = [element("p", sentence(one)) for one in line.down]
    if line.no_upload == WAITS_FOR_HOURS:
        said.insert(0, element("p", "Uploads wait for their hours", *until, "."))
    elif line.no_upload:
        said.insert(0, element("p", sentence(line.no_upload)))
    elif line.limit_bytes_s is not None:
        most = limit(line.limit_bytes_s)
        said.insert(0, element("p", f"Uploads take at most {most}", *until, "."))
    return said


def _card(card: CardStatus, zone: tzinfo) -> list[Child]:
    what = f": {plural(card.files, 'file')}, {size(card.size_bytes)}; "
    parts: list[Child] = [label(card.source or card.label), what]
    if card.may_wipe is not None and card.judged_at is not None:
        answer = (
            state(Shape.FULL, Tone.GOOD, "it could be wiped")
            if card.may_wipe
            else state(Shape.CROSS, Tone.BAD, "do not wipe it")
        )
        return [*parts, answer, ", said ", moment_of(card.judged_at, zone)]
    word = "offloaded, not fit to be wiped yet" if card.taken else "not offloaded"
    return [*parts, state(Shape.PART, Tone.WARN, word), " ", sentence(card.note)]


def _deed(deed: DeedStatus) -> Markup:
    files = f"{count(deed.files_done)} of {plural(deed.files_total, 'file')}"
    done = bytes_words(deed)
    return row(
        sentence(deed.what),
        cell(done, under(files) if deed.files_total else None),
        cell(*_left(deed)),
    )


def _left(deed: DeedStatus) -> list[Child]:
    if deed.held:
        return ["waits: something more urgent uses its drive, or it is not its time"]
    if deed.stopping:
        return ["is ending"]
    if deed.bytes_a_second is None or deed.seconds_left is None:
        return ["not known yet"]
    speed = under(f"at {rate(deed.bytes_a_second)}")
    return [duration(deed.seconds_left), speed]


def _wait(one: WaitStatus) -> list[Child]:
    parts: list[Child] = [sentence(one.what)]
    if one.size_bytes:
        parts.append(f", {size(one.size_bytes)} to go")
    if one.seconds is not None:
        parts.append(f", {duration(one.seconds)} at the rate measured before")
    return [*parts, ": ", sentence(one.why)]


def damage(overview: Overview, zone: tzinfo) -> Markup:
    """What was found hurt in the last year, and what became of it."""
    parts: list[Child] = [element("h2", "Damage and repairs")]
    if not overview.harms:
        parts.append(element("p", "No damage was found in the last year."))
        return element("section", *parts, id="damage")
    first, rest = overview.harms[:MOST_HARMS], overview.harms[MOST_HARMS:]
    parts.append(_harm_table(first, "Found in the last year, newest first", zone))
    if rest:
        summary = element("summary", f"{count(len(rest))} more found in the last year")
        older = _harm_table(rest, "More that was found in the last year", zone)
        parts.append(element("details", summary, older))
    return element("section", *parts, id="damage")


def _harm_table(harms: tuple[Harm, ...], caption: str, zone: tzinfo) -> Markup:
    return table("harms", caption, (_harm(one, zone) for one in harms))


def _harm(one: Harm, zone: tzinfo) -> Markup:
    hurt = (
        f"{size(one.hurt_bytes)} of {size(one.size_bytes)}"
        if one.hurt_bytes is not None
        else size(one.size_bytes)
    )
    mended = (
        joined(state(Shape.FULL, Tone.GOOD, "mended"), " ", moment_of(one.mended_at, zone))
        if one.mended_at is not None
        else state(Shape.CROSS, Tone.BAD, "not mended")
    )
    return row(
        joined(name(one.path), under("at ", label(one.place))),
        cell(moment_of(one.found_at, zone)),
        cell(_FOUND[one.result], under(hurt), under(sentence(one.note)) if one.note else None),
        cell(mended),
    )


def drills(overview: Overview, zone: tzinfo) -> Markup:
    """Every restore drill that was made, newest first."""
    parts: list[Child] = [element("h2", "Restore drills")]
    if overview.drill_due:
        parts.append(
            element("p", state(Shape.PART, Tone.QUIET, "due"), ": ", sentence(overview.drill_due))
        )
    if overview.drills:
        rows = (_drill(one, zone) for one in overview.drills)
        parts.append(table("drills", "Restore drills, newest first", rows, is_told=False))
    elif not overview.drill_due:
        parts.append(
            element(
                "p",
                "No shoot was ever brought back for trial. ",
                element("code", "backupkeeper drill", class_="type"),
            )
        )
    return element("section", *parts, id="drills")


def _drill(one: Drilled, zone: tzinfo) -> Markup:
    which, tone, words = _DRILLS[one.result]
    return row(
        moment_of(one.at, zone),
        cell(label(one.shoot)),
        cell(label(one.place)),
        cell(size(one.size_bytes), under(plural(one.files, "file"))),
        cell(state(which, tone, words)),
    )
