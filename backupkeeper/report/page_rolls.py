"""The page's rolls: those that fall short, then every shoot with its rolls against the three roles.

Promises:
1. Every roll stands in a shoot's table once; one with a gap also stands above, worst first.
2. Only the newest shoots, and those with a gap, are unfolded; before them whole years are.
3. A row holds what ``gaps --json`` says of the roll, worked out nowhere else.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Final

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import GapReport, RollCover
from backupkeeper.report.html import Child, Markup, Shape, Tone, element, joined, name, state
from backupkeeper.report.overview_words import day as date_of
from backupkeeper.report.page_tables import COLUMNS, cell, row, table
from backupkeeper.report.page_words import day, label, role_look, role_words
from backupkeeper.report.words import count, plural, size

OPEN_SHOOTS: Final = 3
"""So many of the newest shoots are unfolded."""
LOOSE_SHOOTS: Final = 12
"""So many of the newest stand by themselves; older ones are folded by year."""
SHORT_ROWS: Final = 25
"""So many rolls that fall short stand open; more are folded."""
MOST_SHORT: Final = 500
"""So many of them stand there at all; the others only with their shoots."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Shoot:
    """A shoot: its rolls in the order of their names, and when its newest was taken in."""

    name: str
    covers: tuple[RollCover, ...]
    at: datetime

    @property
    def lacking(self) -> int:
        """How many of its rolls have a gap."""
        return sum(1 for one in self.covers if one.gaps)


def short_rolls(report: GapReport, zone: tzinfo) -> Markup | None:
    """The rolls that fall short, worst first; None: there is none."""
    lacking = report.with_gaps
    if not lacking and not report.unfinished:
        return None
    parts: list[Child] = [element("h2", "What falls short")]
    if report.unfinished:
        parts += [
            element(
                "p",
                state(Shape.CROSS, Tone.BAD, "not finished"),
                f": {plural(len(report.unfinished), 'offload was', 'offloads were')} begun and not "
                "finished. Repeat the same command before anything is wiped.",
            ),
            element("ul", *(element("li", name(folder)) for folder in report.unfinished)),
        ]
    if lacking:
        first, rest = lacking[:SHORT_ROWS], lacking[SHORT_ROWS:MOST_SHORT]
        parts.append(_short_table(first, zone, "Rolls with a gap, worst first"))
        if rest:
            parts.append(
                _fold(
                    joined(f"{plural(len(rest), 'more roll')} with a gap"),
                    _short_table(rest, zone, "More rolls with a gap, worst first"),
                )
            )
        if len(lacking) > MOST_SHORT:
            parts.append(
                element(
                    "p",
                    f"{plural(len(lacking) - MOST_SHORT, 'more roll')} with a gap: they stand below, "
                    "with their shoots.",
                )
            )
    return element("section", *parts, id="short")


def _short_table(covers: Sequence[RollCover], zone: tzinfo, caption: str) -> Markup:
    return table("short", caption, (_short_row(one, zone) for one in covers))


def _short_row(cover: RollCover, zone: tzinfo) -> Markup:
    head = cover.roll
    held = size(head.size_bytes)
    risk = size(cover.bytes_at_risk)
    return row(
        joined(label(head.shoot), element("br"), _roll_name(cover)),
        cell(risk if risk == held else f"{risk} of {held}"),
        cell(day(head.sealed_at, zone)),
        *(_role(role, cover, zone) for role in Role),
        data_roll=head.id,
    )


def _roll_name(cover: RollCover) -> Markup:
    return joined(label(cover.roll.source), " / ", label(cover.roll.name))


def _role(role: Role, cover: RollCover, zone: tzinfo) -> Markup:
    which, tone = role_look(role, cover)
    kind = f"{which} gap" if tone in {Tone.WARN, Tone.BAD} else which.value
    return cell(role_words(role, cover, zone), kind=kind)


def all_shoots(report: GapReport, zone: tzinfo) -> Markup:
    """Every roll, by shoot, newest shoot first."""
    shoots = _shoots(report.rolls)
    parts: list[Child] = [element("h2", "Shoots and rolls")]
    if not shoots:
        parts.append(element("p", "No roll was taken in yet."))
        return element("section", *parts, id="rolls")
    rolls = plural(len(report.rolls), "roll")
    held = size(sum(one.roll.size_bytes for one in report.rolls))
    parts.append(
        element(
            "p",
            f"{plural(len(shoots), 'shoot')}, {rolls}, {held}, newest first. In each role stands how "
            "the worst file of the roll stands there, and the date of its oldest proof.",
        )
    )
    if len(shoots) > OPEN_SHOOTS:
        parts.append(
            element(
                "p",
                "What is folded is printed as one line: open it on the screen to print its rolls.",
                class_="on-paper quiet",
            )
        )
    parts += [
        _shoot(one, zone, is_open=number < OPEN_SHOOTS)
        for number, one in enumerate(shoots[:LOOSE_SHOOTS])
    ]
    parts += [_year(year, those, zone) for year, those in _years(shoots[LOOSE_SHOOTS:], zone)]
    return element("section", *parts, id="rolls")


def _shoots(covers: Iterable[RollCover]) -> list[_Shoot]:
    found: dict[str, list[RollCover]] = {}
    for one in covers:
        found.setdefault(one.roll.shoot, []).append(one)
    shoots = [
        _Shoot(
            name=name,
            covers=tuple(sorted(those, key=_by_name)),
            at=max(one.roll.sealed_at for one in those),
        )
        for name, those in found.items()
    ]
    return sorted(shoots, key=lambda one: (one.at, one.name), reverse=True)


def _by_name(cover: RollCover) -> tuple[str, str, str]:
    return cover.roll.source, cover.roll.name, cover.roll.id


def _years(shoots: Iterable[_Shoot], zone: tzinfo) -> Iterator[tuple[int, list[_Shoot]]]:
    found: dict[int, list[_Shoot]] = {}
    for one in shoots:
        found.setdefault(one.at.astimezone(zone).year, []).append(one)
    yield from found.items()


def _fold(summary: Markup, *inner: Child, is_open: bool = False) -> Markup:
    return element("details", element("summary", summary), *inner, open=is_open)


def _how(covers: int, lacking: int) -> Markup:
    """How so many rolls stand, in words and shape."""
    if not lacking:
        return state(Shape.FULL, Tone.GOOD, "proven in every role")
    which = (
        "every roll has a gap" if covers == lacking > 1 else f"{plural(lacking, 'roll')} with a gap"
    )
    return state(Shape.PART, Tone.BAD, which)


def _shoot(shoot: _Shoot, zone: tzinfo, *, is_open: bool) -> Markup:
    held = size(sum(one.roll.size_bytes for one in shoot.covers))
    summary = joined(
        element("strong", label(shoot.name), class_="shoot"),
        " ",
        element("span", f"{plural(len(shoot.covers), 'roll')}, {held}", class_="quiet"),
        " ",
        _how(len(shoot.covers), shoot.lacking),
    )
    inner = table(
        "shoot-rolls", joined("Rolls of ", label(shoot.name)), _rows(shoot, zone), is_told=False
    )
    return _fold(summary, inner, is_open=is_open)


def _row(cover: RollCover, zone: tzinfo) -> Markup:
    head = cover.roll
    return row(
        _roll_name(cover),
        cell(count(head.file_count)),
        cell(size(head.size_bytes)),
        cell(date_of(head.sealed_at, zone)),
        *(_role(role, cover, zone) for role in Role),
    )


def _year(year: int, shoots: Sequence[_Shoot], zone: tzinfo) -> Markup:
    covers = [one for shoot in shoots for one in shoot.covers]
    held = size(sum(one.roll.size_bytes for one in covers))
    summary = joined(
        element("strong", f"{year}", class_="shoot"),
        " ",
        element(
            "span",
            f"{plural(len(shoots), 'shoot')}, {plural(len(covers), 'roll')}, {held}",
            class_="quiet",
        ),
        " ",
        _how(len(covers), sum(1 for one in covers if one.gaps)),
    )
    # One table for all: thousands of shoots would cost a head each.
    rows = [one for shoot in shoots for one in (_shoot_row(shoot), *_rows(shoot, zone))]
    caption = f"Rolls taken in {year}"
    return _fold(summary, table("shoot-rolls", caption, rows, is_told=False))


def _rows(shoot: _Shoot, zone: tzinfo) -> Iterator[Markup]:
    return (_row(one, zone) for one in shoot.covers)


def _shoot_row(shoot: _Shoot) -> Markup:
    held = size(sum(one.roll.size_bytes for one in shoot.covers))
    lacking = len(shoot.covers), shoot.lacking
    return element(
        "tr",
        element(
            "th",
            element("strong", label(shoot.name), class_="shoot"),
            " ",
            element("span", f"{plural(len(shoot.covers), 'roll')}, {held}", class_="quiet"),
            joined(" ", _how(*lacking)) if shoot.lacking else None,
            scope="colgroup",
            colspan=len(COLUMNS["shoot-rolls"]),
            role="columnheader",
        ),
        role="row",
        class_="of",
    )
