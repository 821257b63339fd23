r"""Pages: HTML out of elements, so that nothing on a page is ever markup by accident.

    page = document("A title", element("p", "Words of ours, and ", name(path_from_a_card)))

Promises:
1. A ``str`` is always text, never markup: it is escaped here, with everything that steers, hides or
   turns the reading direction made visible (``report.words``). Only this module makes ``Markup``.
2. What comes from outside goes through ``text`` or ``name``: it stands in ``<bdi>``, so letters that
   run from right to left turn nothing around them.
3. A page asks for nothing outside itself and runs nothing: no script, no link but to its own parts,
   pictures only within it, and a Content-Security-Policy that says so to the browser. Other tags or
   attributes can't be built. (A page that is served while something goes on may take one script from
   where it came from: ``document(script=...)``.)
4. A state is told by its word and the shape before it; its colour is only an addition.
"""

import html
import re
from base64 import b64encode
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Final

from backupkeeper.report.words import shown, told

_VOID: Final = frozenset({"br", "hr", "meta", "wbr"})
# fmt: off
_TAGS: Final = _VOID | {
    "a", "abbr", "article", "aside", "bdi", "body", "caption", "code", "dd", "details", "div", "dl", "dt",
    "em", "figcaption", "figure", "footer", "h1", "h2", "h3", "h4", "head", "header", "html", "li", "main",
    "nav", "ol", "p", "section", "small", "span", "strong", "summary", "table", "tbody", "td", "tfoot",
    "th", "thead", "time", "title", "tr", "ul",
    "circle", "desc", "g", "line", "path", "polyline", "rect", "svg", "text",  # drawings (SVG)
}
_ATTRIBUTES: Final = frozenset({
    "aria-describedby", "aria-hidden", "aria-label", "aria-labelledby", "charset", "class", "colspan",
    "content", "datetime", "dir", "href", "http-equiv", "id", "lang", "name", "open", "role", "rowspan",
    "scope", "tabindex", "title",
    "cx", "cy", "d", "fill", "focusable", "height", "points", "preserveAspectRatio", "r", "rx", "stroke",
    "stroke-dasharray", "stroke-width", "text-anchor", "transform", "viewBox", "width", "x", "x1", "x2",
    "y", "y1", "y2",
})
# fmt: on
_DATA: Final = re.compile(r"data-[a-z-]+")
_CONTROLS: Final = frozenset({"button", "progress"})
_OF_CONTROLS: Final = frozenset({"max", "type", "value"})
_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
_POLICY_LIVE: Final = f"{_POLICY}; script-src 'self'; connect-src 'self'"


@dataclass(frozen=True, slots=True)
class Markup:
    """HTML that was built here, safe to stand in a page. Joins with ``joined``."""

    source: str


Child = Markup | str | None
"""What an element can hold: markup, a text (escaped), or nothing."""
Attribute = str | int | float | bool | None
"""A value; True is a bare attribute, False and None leave it out."""


class Shape(StrEnum):
    """Stands before the word of a state: told apart without any colour."""

    FULL = "full"
    """A full disk: all of it."""
    PART = "part"
    """A half-filled ring: some of it, or not for long any more."""
    EMPTY = "empty"
    """A ring: nothing yet."""
    CROSS = "cross"
    """A cross: wrong, lost, or a no."""
    DASH = "dash"
    """A dash: not asked for, not known."""


class Tone(StrEnum):
    """The colour that is added to a state."""

    GOOD = "good"
    WARN = "warn"
    BAD = "bad"
    QUIET = "quiet"


_RING: Final = 'cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="2"'
_DRAWN: Final = {
    Shape.FULL: '<circle cx="8" cy="8" r="7" fill="currentColor"/>',
    Shape.PART: f'<circle {_RING}/><path d="M8 2a6 6 0 0 0 0 12z" fill="currentColor"/>',
    Shape.EMPTY: f"<circle {_RING}/>",
    Shape.CROSS: (
        '<path d="M3 3L13 13M13 3L3 13" fill="none" stroke="currentColor" stroke-width="3"/>'
    ),
    Shape.DASH: '<path d="M3 8H13" fill="none" stroke="currentColor" stroke-width="2"/>',
}


def element(tag: str, *children: Child, **attributes: Attribute) -> Markup:
    """One element.

    Args:
        tag: one of those that a page may have.
        children: what it holds, in order.
        attributes: ``class_`` is ``class``, other underscores are hyphens (``aria_label``).

    Raises:
        ValueError: a tag or attribute that no page of ours may have; never because of a value.
    """
    if tag not in _TAGS:
        raise ValueError(f"No page of ours has the element {tag!r}.")
    return _built(tag, children, attributes, _ATTRIBUTES)


def control(tag: str, *children: Child, **attributes: Attribute) -> Markup:
    """A button to press, or a bar to watch: only on a page that is served while something goes on.

    Raises:
        ValueError: as ``element``.
    """
    if tag not in _CONTROLS:
        raise ValueError(f"No page of ours has the control {tag!r}.")
    return _built(tag, children, attributes, _ATTRIBUTES | _OF_CONTROLS)


def _built(
    tag: str, children: tuple[Child, ...], attributes: dict[str, Attribute], known: frozenset[str]
) -> Markup:
    given = [
        _attribute(key, value if isinstance(value, str) else _plain(value), known)
        for key, value in attributes.items()
    ]
    start = f"<{tag}{''.join(given)}>"
    if tag in _VOID:
        return Markup(start)
    return Markup(f"{start}{''.join([_source(child) for child in children])}</{tag}>")


def _plain(value: Attribute) -> str | bool:
    return False if value is None else value if isinstance(value, bool) else str(value)


@lru_cache(maxsize=1024)  # thousands of cells have the same few
def _attribute(given: str, value: str | bool, known: frozenset[str]) -> str:  # noqa: FBT001 - True is a bare attribute
    """With a blank before it; nothing where it is left out."""
    key = given.rstrip("_").replace("_", "-")
    is_known = key in known or _DATA.fullmatch(key) is not None
    if not is_known or (key == "href" and not str(value).startswith("#")):
        raise ValueError(f"No page of ours has the attribute {key!r} with such a value.")
    if value is False:
        return ""
    return f" {key}" if value is True else f' {key}="{html.escape(told(value))}"'


def joined(*children: Child) -> Markup:
    """Several one after the other, as one; texts are escaped."""
    return Markup("".join([_source(child) for child in children]))


def _source(child: Child) -> str:
    if child is None:
        return ""
    return child.source if isinstance(child, Markup) else html.escape(told(child))


def text(value: str) -> Markup:
    """A sentence or label from outside: escaped, everything hidden made visible, isolated."""
    return element("bdi", value)


def name(path: str) -> Markup:
    """A path or file name from outside, as ``words.shown`` tells it; may be broken after a slash."""
    parts = html.escape(shown(path)).replace("/", "/<wbr>")
    return Markup(f'<bdi class="name">{parts}</bdi>')


def shape(which: Shape) -> Markup:
    """The shape alone; the word beside it is for those who can't see it."""
    return Markup(
        '<svg class="shape" viewBox="0 0 16 16" width="16" height="16" aria-hidden="true" '
        f'focusable="false">{_DRAWN[which]}</svg>'
    )


def state(which: Shape, tone: Tone, *words: Child) -> Markup:
    """A state: its shape, then its words."""
    return element("span", shape(which), " ", *words, class_=f"state {tone}")


def table(
    caption: Child,
    columns: Sequence[str],
    rows: Iterable[Sequence[Child]],
    *,
    numbers: Collection[int] = (),
) -> Markup:
    """A table; on a phone each row becomes a card of its own, every cell under its column's name.

    Args:
        caption: what it shows.
        columns: their names.
        rows: as many cells as there are columns; the first one names the row.
        numbers: which columns hold numbers.
    """
    kinds = ["number" if at in numbers else None for at in range(len(columns))]
    # Roles, said once more: a browser forgets them where the style makes blocks of the cells.
    head = [
        element("th", column, scope="col", class_=kind, role="columnheader")
        for column, kind in zip(columns, kinds, strict=True)
    ]
    body = []
    for row in rows:
        cells = [
            element("td", cell, class_=kind, role="cell", data_label=column)
            for cell, column, kind in zip(row, columns, kinds, strict=True)
        ]
        cells[0] = element("th", row[0], scope="row", class_=kinds[0], role="rowheader")
        body.append(element("tr", *cells, role="row"))
    return element(
        "table",
        element("caption", caption),
        element("thead", element("tr", *head, role="row"), role="rowgroup"),
        element("tbody", *body, role="rowgroup"),
        class_="rows",
        role="table",
    )


def shape_url(which: Shape) -> str:
    """The same drawing for ``url(...)`` in CSS, where a shape stands in thousands of cells."""
    drawn = _DRAWN[which].replace("currentColor", "#000")
    drawing = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16">{drawn}</svg>'
    return f"data:image/svg+xml;base64,{b64encode(drawing.encode()).decode()}"


def picture(jpeg: bytes, words: str, *, width: int, height: int) -> Markup:
    """A small picture, whole in the page; ``words`` for those who can't see it."""
    source = f"data:image/jpeg;base64,{b64encode(jpeg).decode()}"
    return Markup(
        f'<img src="{source}" alt="{html.escape(told(words))}" width="{width}" height="{height}" '
        'decoding="async">'
    )


def document(
    title: str,
    *body: Child,
    style: str = "",
    generator: str = "backupkeeper",
    mark: str = "",
    script: str = "",
) -> str:
    """A whole page as text, with a line end; to be written as UTF-8.

    Args:
        title: of the page, for the browser's tab.
        body: what stands in it.
        style: CSS of this kind of page, after ``STYLE``. Ours only: it is not escaped.
        generator: the program and its version.
        mark: by which a program knows the file again, within its first bytes. Ours only.
        script: path of the one script that a served page takes from its server; '': none.
    """
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element(
            "meta",
            http_equiv="Content-Security-Policy",
            content=_POLICY_LIVE if script else _POLICY,
        ),
        element("meta", name="referrer", content="no-referrer"),
        element("meta", name="color-scheme", content="light dark"),
        element("meta", name="generator", content=generator),
        element("title", title),
        Markup(f"<style>{STYLE}{style}</style>"),
        Markup(f'<script src="{html.escape(script)}" defer></script>') if script else None,
    )
    page = element("html", head, element("body", *body), lang="en")
    first = f"<!-- {mark} -->\n" if mark else ""
    return f"<!DOCTYPE html>\n{first}{page.source}\n"


STYLE: Final = """
:root {
  color-scheme: light dark;
  --ground: #f7f6f2; --sheet: #ffffff; --ink: #22282b; --quiet: #565f63; --rule: #d5d4cc;
  --good: #1f5f47; --good-ground: #e6f0ea;
  --warn: #74500a; --warn-ground: #f7eed8;
  --bad: #94281f; --bad-ground: #f9e7e3;
  --gap: 1rem; --wide: 60rem;
}
@media (prefers-color-scheme: dark) {
  :root {
    --ground: #15191b; --sheet: #1d2325; --ink: #e4e5e0; --quiet: #a8b0b1; --rule: #3a4346;
    --good: #8fceac; --good-ground: #1b3329;
    --warn: #e3bd70; --warn-ground: #382d15;
    --bad: #f0a196; --bad-ground: #40211d;
  }
}
*, *::before, *::after { box-sizing: border-box; }
html { font: 100%/1.5 system-ui, "DejaVu Sans", sans-serif; -webkit-text-size-adjust: 100%; }
body { margin: 0; background: var(--ground); color: var(--ink); overflow-wrap: anywhere; }
main, .page-head, .page-foot { max-width: var(--wide); margin: 0 auto; padding: var(--gap); }
h1, h2, h3 { line-height: 1.2; margin: 1.6em 0 0.5em; font-weight: 650; }
h1 { font-size: 1.6rem; margin-top: 0; }
h2 { font-size: 1.2rem; }
h3 { font-size: 1rem; }
p, ul, ol, dl, table, details { margin: 0 0 0.8em; }
a { color: inherit; }
:focus-visible { outline: 3px solid var(--ink); outline-offset: 2px; }
code, .name, .hash { font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: 0.875em; }
.hash { word-break: break-all; }
.quiet { color: var(--quiet); }
.good { color: var(--good); } .warn { color: var(--warn); } .bad { color: var(--bad); }
.shape { width: 0.8em; height: 0.8em; vertical-align: -0.04em; flex: none; }
.state { font-weight: 600; }
.state.quiet { font-weight: 400; }
.sheet { background: var(--sheet); border: 1px solid var(--rule); border-radius: 6px;
  padding: var(--gap); margin: 0 0 var(--gap); }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
caption { text-align: left; color: var(--quiet); padding: 0 0 0.4em; }
th, td { text-align: left; vertical-align: top; padding: 0.35em 0.8em 0.35em 0;
  border-bottom: 1px solid var(--rule); }
thead th { color: var(--quiet); font-weight: 600; }
tbody th { font-weight: 600; }
.number { text-align: right; white-space: nowrap; }
dl { display: grid; grid-template-columns: minmax(7rem, max-content) 1fr; gap: 0.2em 1.2em; }
dt { color: var(--quiet); } dd { margin: 0; }
summary { cursor: pointer; padding: 0.2em 0; }
@media (max-width: 40rem) {
  dl { grid-template-columns: 1fr; gap: 0; } dd { margin: 0 0 0.5em; }
  /* Tables of class "rows" become a list of small cards; each cell says its column in words. */
  table.rows, .rows tbody, .rows tr, .rows th, .rows td { display: block; }
  .rows thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
  .rows tr { border-bottom: 1px solid var(--rule); padding: 0.5em 0; }
  .rows th, .rows td { border: 0; padding: 0.1em 0; text-align: left; white-space: normal; }
  .rows td::before { content: attr(data-label) ": "; color: var(--quiet); }
  .rows caption { display: block; }
}
@media print {
  :root { color-scheme: light;
    --ground: #fff; --sheet: #fff; --ink: #000; --quiet: #444; --rule: #999;
    --good: #14432f; --good-ground: #fff; --warn: #5b3d00; --warn-ground: #fff;
    --bad: #7a1008; --bad-ground: #fff; }
  @page { margin: 16mm; }
  html { font-size: 10pt; }
  main, .page-head, .page-foot { max-width: none; padding: 0; }
  h2, h3 { break-after: avoid; }
  tr, dl, .together { break-inside: avoid; }
  thead { display: table-header-group; }
  .no-print { display: none; }
}
"""
"""What all pages share: calm, in the fonts that the machine has, for light, dark, phone and paper."""
