"""The small words of a page: dates, names, and how a roll stands in a role, each as word and shape."""

from datetime import UTC, datetime, tzinfo
from functools import lru_cache
from typing import Final

from backupkeeper.core.model import CopyState, Role
from backupkeeper.core.outcomes import RoleCover, RollCover
from backupkeeper.report.html import Child, Markup, Shape, Tone, element, joined, text
from backupkeeper.report.overview_words import day as date_of, state_words
from backupkeeper.report.words import age, count, plural, shown

LOOKS: Final = {
    CopyState.PROVEN: (Shape.FULL, Tone.GOOD),
    CopyState.DUE: (Shape.PART, Tone.WARN),
    CopyState.WRITTEN: (Shape.PART, Tone.WARN),
    CopyState.DAMAGED: (Shape.CROSS, Tone.BAD),
    CopyState.MISSING: (Shape.CROSS, Tone.BAD),
    CopyState.OUT_OF_REACH: (Shape.DASH, Tone.BAD),
    CopyState.ABSENT: (Shape.EMPTY, Tone.WARN),
}
"""How the states of a copy look; the word stands beside the shape."""
MEANINGS: Final = {
    CopyState.PROVEN: "All bytes were read back, or checked by the store on arrival, and matched.",
    CopyState.DUE: "It was proven, but so long ago that it no longer counts: read it again.",
    CopyState.WRITTEN: "It was copied, and not read back yet.",
    CopyState.DAMAGED: "Its bytes are not those that came off the card.",
    CopyState.MISSING: "It was there, and is not any more.",
    CopyState.OUT_OF_REACH: "It is on a place that is lost or retired.",
    CopyState.ABSENT: "It was never there.",
}
NEVER: Final = "never"
NOT_ASKED: Final = "not asked for"
"""Of a role that ``[policy] roles`` does not name."""
_NOT_ASKED: Final = joined(NOT_ASKED)


def label(name: str) -> Child:
    """A short name from outside, in the fonts of the page."""
    told = shown(name)
    return told if told.isascii() else element("bdi", told)


def day(at: datetime, zone: tzinfo) -> Markup:
    """``2026-06-12`` by the person's clock."""
    return _time(date_of(at, zone))


@lru_cache(maxsize=8192)
def _time(date: str) -> Markup:
    return element("time", date)


def moment_of(at: datetime, zone: tzinfo) -> Markup:
    """``2026-06-12 18:04`` by the person's clock; the zone is named once, on top of the page."""
    local = at.astimezone(zone)
    return element(
        "time",
        f"{local:%Y-%m-%d %H:%M}",
        datetime=f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
    )


def long_ago(at: datetime | None, now: datetime, zone: tzinfo) -> Markup:
    """``3 days ago (2026-06-11)``; None: never."""
    if at is None:
        return element("span", NEVER, class_="quiet")
    return joined(age(at, now), " ", element("small", day(at, zone), class_="quiet"))


def zone_name(at: datetime, zone: tzinfo) -> str:
    """``CEST (UTC+02:00)`` at a time, or only ``UTC+02:00`` where it has no name."""
    local = at.astimezone(zone)
    offset = f"UTC{local:%z}"
    offset = "UTC" if offset == "UTC+0000" else f"{offset[:6]}:{offset[6:8]}"
    name = local.tzname() or ""
    return offset if name in {"", offset} else f"{name} ({offset})"


def role_look(role: Role, cover: RollCover) -> tuple[Shape, Tone]:
    """How a roll stands in a role, as a shape; proven on a shared device does not count."""
    if role not in cover.roles:
        return Shape.DASH, Tone.QUIET
    if role in cover.gaps and cover.roles[role].state is CopyState.PROVEN:
        return Shape.PART, Tone.WARN
    return LOOKS[cover.roles[role].state]


def role_words(role: Role, cover: RollCover, zone: tzinfo) -> Markup:
    """``proven 2026-06-12``, ``absent, 12 of 40 files``, ``proven, shared device``."""
    one = cover.roles.get(role)
    if one is None:
        return _NOT_ASKED
    if role not in cover.gaps:
        return _dated(one, zone)
    parts: list[Child] = [state_words(one.state)]
    worst = one.counts.get(one.state, 0)
    total = sum(one.counts.values())
    if one.state is CopyState.PROVEN:
        parts.append(", shared device")
    elif worst < total:
        parts.append(f", {count(worst)} of {plural(total, 'file')}")
    if one.oldest_proof is not None and one.state is CopyState.DUE:
        parts.append(f", from {date_of(one.oldest_proof, zone)}")
    return joined(*parts)


def _dated(one: RoleCover, zone: tzinfo) -> Markup:
    if one.oldest_proof is None:
        return _word(one.state)
    return _word_and_day(one.state, date_of(one.oldest_proof, zone))


@lru_cache(maxsize=64)
def _word(state: CopyState) -> Markup:
    return joined(state_words(state))


@lru_cache(maxsize=8192)
def _word_and_day(state: CopyState, date: str) -> Markup:
    return joined(f"{state_words(state)} {date}")  # thousands of them: no element around each date


def sentence(words: str) -> Markup:
    """A sentence that may hold names from outside."""
    return text(words)
