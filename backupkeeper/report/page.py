"""The report as one page: the answer on top, then what to do, then everything in its order.

Promises:
1. One self-contained text: nothing is asked for outside of it, nothing in it runs.
2. The same overview gives the same bytes.
3. Everything that says how something stands says it in words, and by a shape; colour only adds.
4. It stays below ``LARGEST`` by leaving pictures out; rolls are never left out.

Each part is a function of its own with an ``id`` of its own, so that a page that is served while
something goes on can show the same parts anew.
"""

from collections.abc import Callable, Iterator, Mapping
from datetime import tzinfo
from typing import Final

from backupkeeper.core.model import Blake3, CopyState, Role
from backupkeeper.core.outcomes import GapReport
from backupkeeper.core.overview import Overview, Step, Worry
from backupkeeper.core.posters import Poster
from backupkeeper.report.charts import copies_over_time, proof_ages
from backupkeeper.report.html import Child, Markup, Shape, Tone, document, element, state
from backupkeeper.report.live import LIVE_STYLE, live_section
from backupkeeper.report.overview_words import answer, day, state_words
from backupkeeper.report.page_news import damage, drills, on_the_way
from backupkeeper.report.page_pictures import contact_sheets
from backupkeeper.report.page_places import buckets, drives
from backupkeeper.report.page_rolls import all_shoots, short_rolls
from backupkeeper.report.page_style import PAGE_STYLE
from backupkeeper.report.page_words import (
    LOOKS,
    MEANINGS,
    NOT_ASKED,
    long_ago,
    moment_of,
    sentence,
    zone_name,
)
from backupkeeper.report.words import age, count, plural, size

LARGEST: Final = 5_000_000
"""Bytes of a page that has at most some ten thousand rolls."""
MOST_PICTURES: Final = 2_500_000
"""Bytes of contact sheets."""
_SPARE: Final = 60_000
"""Bytes for what is around the parts."""
MARK: Final = "backupkeeper report"
"""By it a file is known as an earlier report: it stands right behind the first line."""
BEGINNING: Final = f"<!DOCTYPE html>\n<!-- {MARK} -->\n"
SCRIPT: Final = "live.js"

_WORRIES: Final = {
    Worry.NONE: (Shape.FULL, Tone.GOOD, "No need to worry"),
    Worry.SOON: (Shape.PART, Tone.WARN, "Something to do soon"),
    Worry.NOW: (Shape.CROSS, Tone.BAD, "Something is in danger"),
}
_STEPS: Final = {
    Worry.NONE: (Shape.EMPTY, Tone.QUIET, "when you like"),
    Worry.SOON: (Shape.PART, Tone.WARN, "soon"),
    Worry.NOW: (Shape.CROSS, Tone.BAD, "today"),
}


def page(
    overview: Overview,
    *,
    posters: Mapping[Blake3, Poster],
    zone: tzinfo,
    live: bool = False,
) -> str:
    """The whole page as text; to be written as UTF-8.

    Args:
        overview: how everything stands.
        posters: pictures of clips, by content; those that are not there are told as missing.
        zone: where the person is.
        live: whether it is served, and may take one script (``SCRIPT``) from where it came from.
    """
    parts = dict(sections(overview, zone))
    used = sum(len(part.source.encode()) for part in parts.values())
    left = min(MOST_PICTURES, LARGEST - used - _SPARE)
    sheets = contact_sheets(overview, posters, zone, most_bytes=max(0, left))
    words_mean = parts.pop("words")
    if sheets is not None:
        parts["pictures"] = sheets
    parts["words"] = words_mean
    words = answer(overview)
    return document(
        f"{words} Report of {day(overview.at, zone)}",
        element("a", "To the answer", href="#answer", class_="skip"),
        _masthead(overview, zone),
        live_section() if live else None,
        element(
            "main",
            *(parts.pop(name) for name in ("answer", "todo")),
            _contents(tuple(parts)),
            *parts.values(),
            id="report",
            data_worry=overview.worry.value,
        ),
        _foot(overview, zone),
        style=PAGE_STYLE + LIVE_STYLE if live else PAGE_STYLE,
        mark=MARK,
        script=SCRIPT if live else "",
    )


_TITLES: Final = {
    "short": "What falls short",
    "rolls": "Shoots and rolls",
    "drives": "Drives",
    "buckets": "Buckets",
    "on-the-way": "On the way",
    "damage": "Damage and repairs",
    "drills": "Restore drills",
    "over-time": "Over time",
    "pictures": "Contact sheets",
    "words": "What the words mean",
}
"""Parts that can be jumped to, by their ``id``."""


def sections(overview: Overview, zone: tzinfo) -> Iterator[tuple[str, Markup]]:
    """The parts of the page in their order, each with its ``id``; without contact sheets."""
    report = overview.gaps
    makers: tuple[tuple[str, Callable[[], Markup | None]], ...] = (
        ("answer", lambda: the_answer(overview)),
        ("todo", lambda: what_to_do(overview, zone)),
        ("short", lambda: short_rolls(report, zone)),
        ("rolls", lambda: all_shoots(report, zone)),
        ("drives", lambda: drives(overview, zone)),
        ("buckets", lambda: buckets(overview, zone)),
        ("on-the-way", lambda: on_the_way(overview, zone)),
        ("damage", lambda: damage(overview, zone)),
        ("drills", lambda: drills(overview, zone)),
        ("over-time", lambda: over_time(overview, zone)),
        ("words", lambda: what_the_words_mean(overview, zone)),
    )
    for name, make in makers:
        made = make()
        if made is not None:
            yield name, made


def _masthead(overview: Overview, zone: tzinfo) -> Markup:
    local = overview.at.astimezone(zone)
    return element(
        "header",
        element("span", "Report on all footage", class_="title"),
        element(
            "span",
            f"{local:%A}, ",
            moment_of(overview.at, zone),
            " ",
            zone_name(overview.at, zone),
            class_="made",
        ),
        class_="page-head",
    )


def the_answer(overview: Overview) -> Markup:
    """Whether to worry, in one line, and how much stands in each role."""
    which, tone, words = _WORRIES[overview.worry]
    return element(
        "section",
        element("p", state(which, tone, words), class_="worry"),
        element("h1", answer(overview)),
        *_tally(overview),
        id="answer",
        tabindex="-1",
    )


def _tally(overview: Overview) -> Iterator[Markup]:
    report = overview.gaps
    if not report.rolls:
        yield element(
            "p",
            "When the first card is offloaded, its roll stands here, and in which places it is proven.",
        )
        return
    boxes = (_box(role, report) for role in Role)
    yield element("dl", *boxes, class_="tally")


def _box(role: Role, report: GapReport) -> Markup:
    covers = [one for one in report.rolls if role in one.roles]
    if not covers:
        said = element("dd", state(Shape.DASH, Tone.QUIET, NOT_ASKED))
        return element("div", element("dt", role.value), said)
    proven = [one for one in covers if role not in one.gaps]
    which, tone = (
        (Shape.FULL, Tone.GOOD)
        if len(proven) == len(covers)
        else (Shape.PART if proven else Shape.EMPTY, Tone.BAD)
    )
    held = size(sum(one.roll.size_bytes for one in proven))
    whole = size(sum(one.roll.size_bytes for one in covers))
    oldest = min(filter(None, (one.roles[role].oldest_proof for one in covers)), default=None)
    return element(
        "div",
        element("dt", role.value),
        element(
            "dd",
            state(which, tone, f"{count(len(proven))} of {plural(len(covers), 'roll')} proven"),
            element(
                "small",
                held if held == whole else f"{held} of {whole}",
                f", oldest proof {age(oldest, report.at)}" if oldest else None,
                class_="under",
            ),
        ),
    )


def what_to_do(overview: Overview, zone: tzinfo) -> Markup:
    """The steps, most urgent first, each with what to type."""
    parts: list[Child] = [element("h2", "What to do")]
    if overview.steps:
        parts.append(element("ol", *(_step(one) for one in overview.steps), class_="steps"))
    else:
        parts.append(element("p", "Nothing."))
    if overview.next_at is not None:
        parts.append(
            element(
                "p",
                "The next report is due on ",
                moment_of(overview.next_at, zone),
                ". If it does not come, look whether backupkeeper runs.",
                class_="quiet",
            )
        )
    return element("section", *parts, id="todo")


def _step(step: Step) -> Markup:
    which, tone, when = _STEPS[step.worry]
    rolls = f" ({plural(step.rolls, 'roll')})" if step.rolls else ""
    return element(
        "li",
        element("span", sentence(step.words), rolls, class_="what"),
        " ",
        state(which, tone, when),
        element("code", sentence(step.command), class_="type") if step.command else None,
    )


def over_time(overview: Overview, zone: tzinfo) -> Markup | None:
    """Two pictures: copies over time, and how old the proofs are; None where there is nothing to draw."""
    charts = [
        one
        for one in (copies_over_time(overview.levels, zone), proof_ages(overview.proof_ages))
        if one is not None
    ]
    return (
        element("section", element("h2", "Over time"), *charts, id="over-time") if charts else None
    )


def what_the_words_mean(overview: Overview, zone: tzinfo) -> Markup:
    """The states, as word and shape, and what is told quietly."""
    rows = [
        element(
            "div", element("dt", state(*LOOKS[one], state_words(one))), element("dd", MEANINGS[one])
        )
        for one in CopyState
    ]
    notes = [*overview.notes, *overview.gaps.notes]
    quiet: list[Child] = [element("p", sentence(one)) for one in dict.fromkeys(notes)]
    quiet += _catalog(overview, zone)
    return element(
        "section",
        *([element("h2", "Worth knowing"), *quiet] if quiet else []),
        element("h2", "What the words mean"),
        element("dl", *rows, class_="legend"),
        id="words",
    )


def _catalog(overview: Overview, zone: tzinfo) -> Iterator[Markup]:
    old = [one for one in overview.gaps.snapshots if one.is_old]
    if not old or not overview.gaps.rolls:
        return
    places: list[Child] = []
    for one in old:
        since = long_ago(one.at, overview.at, zone)
        places.append(element("li", sentence(one.place), ": ", since))
    yield element("p", "Without a current snapshot of the catalog:")
    yield element("ul", *places)


def _contents(names: tuple[str, ...]) -> Markup:
    links = [
        element("li", element("a", title, href=f"#{name}"))
        for name, title in _TITLES.items()
        if name in names
    ]
    return element(
        "nav", element("ul", *links), aria_label="Parts of this page", class_="contents no-print"
    )


def _foot(overview: Overview, zone: tzinfo) -> Markup:
    return element(
        "footer",
        element(
            "p",
            "This page says what was known on ",
            moment_of(overview.at, zone),
            "; what happened since is not on it. All dates and times are local: ",
            zone_name(overview.at, zone),
            " on that day.",
        ),
        class_="page-foot",
    )
