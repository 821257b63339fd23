"""Pictures of numbers, drawn as SVG: copies over time, and how old proofs are.

Promises:
1. Every picture has a title and a description in words, and its numbers stand beside it as a table.
2. Nothing is told by colour: what is taken is a line, what is proven an area, what has no proof
   that counts an empty bar.
3. All panels of one picture share one scale, so they can be compared by eye.
"""

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Final

from backupkeeper.core.model import Role
from backupkeeper.core.overview import Level, ProofAge
from backupkeeper.report.html import Child, Markup, element
from backupkeeper.report.overview_words import ages_words
from backupkeeper.report.page_words import day
from backupkeeper.report.words import count, plural, size

_WIDE, _HIGH = 320.0, 170.0
_LEFT, _RIGHT, _TOP, _BASE = 6.0, 314.0, 34.0, 144.0
_BAR, _STEP = 14.0, 24.0
_NAMES, _FULL_BAR = 126.0, 138.0
_LEAST_BAR: Final = 1.5
"""A bar of anything is seen."""
_YEAR: Final = timedelta(days=400)


def copies_over_time(levels: Sequence[Level], zone: tzinfo) -> Markup | None:
    """What was taken off cards, and how much of it was proven in each role; None: nothing yet."""
    if len(levels) < 2 or not any(one.taken_bytes for one in levels):  # noqa: PLR2004 - a line needs two points
        return None
    asked = [role for role in Role if any(role in one.proven_bytes for one in levels)]
    panels = [_panel(role, levels, zone) for role in asked]
    return element(
        "div",
        element("h3", "Copies over time"),
        element(
            "p",
            "The line is what was taken off cards; the grey below it is how much of that had been "
            "proven in the role. White between them was not proven there yet.",
            class_="quiet",
        ),
        element("div", *panels, class_="panels"),
        _levels_table(levels, zone),
    )


def _panel(role: Role, levels: Sequence[Level], zone: tzinfo) -> Markup:
    most = max(max(one.taken_bytes, *one.proven_bytes.values()) for one in levels)
    first, last = levels[0].at, levels[-1].at
    span = (last - first).total_seconds() or 1.0

    def point(at: datetime, value: int) -> tuple[float, float]:
        x = _LEFT + (_RIGHT - _LEFT) * (at - first).total_seconds() / span
        return x, _BASE - (_BASE - _TOP) * value / most

    proven = [point(one.at, one.proven_bytes.get(role, 0)) for one in levels]
    taken = [point(one.at, one.taken_bytes) for one in levels]
    area = f"M{_LEFT} {_BASE}" + "".join(f"L{x:.1f} {y:.1f}" for x, y in proven)
    now_proven, now_taken = levels[-1].proven_bytes.get(role, 0), levels[-1].taken_bytes
    head = element("title", f"{role}: copies over time")
    told = element(
        "desc",
        f"From {_date(first, zone)} to {_date(last, zone)} what was taken off cards grew to "
        f"{size(now_taken)}; proven in role {role} are {size(now_proven)} of it.",
    )
    return element(
        "svg",
        head,
        told,
        element("text", role.value, x=_LEFT, y=14, class_="axis strong"),
        element("text", size(most), x=_LEFT, y=_TOP - 5, class_="axis"),
        element("line", x1=_LEFT, y1=_TOP, x2=_RIGHT, y2=_TOP, class_="hair"),
        element("path", d=f"{area}L{_RIGHT} {_BASE}Z", class_="area"),
        *_year_marks(first, last, point, zone),
        element("polyline", points=" ".join(f"{x:.1f},{y:.1f}" for x, y in taken), class_="taken"),
        element("line", x1=_LEFT, y1=_BASE, x2=_RIGHT, y2=_BASE, class_="base"),
        element("text", _date(first, zone), x=_LEFT, y=_BASE + 16, class_="axis"),
        element(
            "text", _date(last, zone), x=_RIGHT, y=_BASE + 16, text_anchor="end", class_="axis"
        ),
        element(
            "text",
            f"{size(now_proven)} of {size(now_taken)} proven",
            x=_RIGHT,
            y=14,
            text_anchor="end",
            class_="axis",
        ),
        viewBox=f"0 0 {_WIDE:.0f} {_HIGH:.0f}",
        role="img",
        focusable="false",
    )


def _date(at: datetime, zone: tzinfo) -> str:
    return f"{at.astimezone(zone):%Y-%m-%d}"


def _year_marks(
    first: datetime,
    last: datetime,
    point: Callable[[datetime, int], tuple[float, float]],
    zone: tzinfo,
) -> list[Child]:
    """A tick at the beginning of each year, named where there is room."""
    begin, end = first.astimezone(zone), last.astimezone(zone)
    if last - first < _YEAR:
        return []
    marks: list[Child] = []
    for year in range(begin.year + 1, end.year + 1):
        x, y = point(datetime(year, 1, 1, tzinfo=zone), 0)
        marks.append(element("line", x1=f"{x:.1f}", y1=y, x2=f"{x:.1f}", y2=y + 5, class_="base"))
    return marks


def _levels_table(levels: Sequence[Level], zone: tzinfo) -> Markup:
    heads = (element("th", one, scope="col") for one in ("Until", "Taken", *Role))
    rows = (
        element(
            "tr",
            element("th", day(one.at, zone), scope="row"),
            element("td", size(one.taken_bytes), class_="n"),
            *(element("td", size(one.proven_bytes.get(role, 0)), class_="n") for role in Role),
        )
        for one in levels
    )
    return _numbers("Copies over time, in numbers", heads, rows)


def _numbers(caption: str, heads: Iterable[Child], rows: Iterable[Child]) -> Markup:
    return element(
        "details",
        element("summary", "The same in numbers"),
        element(
            "table",
            element("caption", caption),
            element("thead", element("tr", *heads)),
            element("tbody", *rows),
            class_="numbers",
        ),
        class_="no-print",
    )


def proof_ages(ages: Sequence[ProofAge]) -> Markup | None:
    """How many copies in each role were last proven how long ago; None: there is no copy."""
    most = max((one.files for one in ages), default=0)
    if not most:
        return None
    panels = [
        _ages_panel(role, those, most)
        for role in Role
        if (those := [one for one in ages if one.role is role])
    ]
    return element(
        "div",
        element("h3", "How old the proofs are"),
        element(
            "p",
            "Each bar is how many files were last proven so long ago. An empty bar has no proof that counts.",
            class_="quiet",
        ),
        element("div", *panels, class_="panels"),
        _ages_table(ages),
    )


def _ages_panel(role: Role, ages: Sequence[ProofAge], most: int) -> Markup:
    told = "; ".join(f"{ages_words(one)}: {plural(one.files, 'file')}" for one in ages)
    rows: list[Child] = []
    for number, one in enumerate(ages):
        y = 26 + number * _STEP
        wide = max(_LEAST_BAR, _FULL_BAR * one.files / most) if one.files else 0.0
        kind = "bar" if one.days_from is not None else "bar hollow"
        rows += [
            element("text", ages_words(one), x=_LEFT, y=y + 11, class_="axis"),
            element("rect", x=_NAMES, y=y, width=f"{wide:.1f}", height=_BAR, class_=kind),
            element(
                "text", count(one.files), x=f"{_NAMES + wide + 5:.1f}", y=y + 11, class_="axis"
            ),
        ]
    high = 30 + len(ages) * _STEP
    return element(
        "svg",
        element("title", f"{role}: how old the proofs are"),
        element("desc", f"Files in role {role} by the age of their newest proof. {told}."),
        element("text", role.value, x=_LEFT, y=14, class_="axis strong"),
        *rows,
        element("line", x1=_NAMES, y1=20, x2=_NAMES, y2=high - 6, class_="base"),
        viewBox=f"0 0 {_WIDE:.0f} {high:.0f}",
        role="img",
        focusable="false",
    )


def _ages_table(ages: Sequence[ProofAge]) -> Markup:
    heads = (element("th", one, scope="col") for one in ("Role", "Last proven", "Files", "Size"))
    rows = (
        element(
            "tr",
            element("th", one.role.value, scope="row"),
            element("td", ages_words(one)),
            element("td", count(one.files), class_="n"),
            element("td", size(one.size_bytes), class_="n"),
        )
        for one in ages
    )
    return _numbers("How old the proofs are, in numbers", heads, rows)
