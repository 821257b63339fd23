r"""What the daemon is at: on a terminal, as JSON, and from JSON again.

Promises:
1. Only what was measured or is a fact is said; a time left stands only behind a measured rate.
2. ``status_from_json(status_json(s)) == s``; anything else raises ``ListingError`` and nothing else.
3. JSON: ``{"version": 1, ...}`` with the fields of ``core.status.Status`` under their names; times
   are ISO 8601 in UTC, sizes bytes, spans seconds, what is not known null.
"""

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from types import NoneType, UnionType
from typing import Any, Final, get_args, get_origin, get_type_hints

from backupkeeper.core.errors import ListingError
from backupkeeper.core.line import WAITS_FOR_HOURS
from backupkeeper.core.status import CardStatus, DeedStatus, DriveStatus, Status, WaitStatus
from backupkeeper.report.arrivals import arrival_text
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.words import (
    age,
    count,
    duration,
    limit,
    moment,
    plural,
    rate,
    shown,
    size,
    told,
)

MOST_WAITING = 20
_PLAINLY_AWAY = "is not here (last seen at"
"""What is said of every drive that is away (``actions.online``): that is told already."""
Json = dict[str, Any]


NOTHING_TO_BRING: Final = (
    "; nothing can be brought by itself now: 'backupkeeper gaps' says what helps."
)


def status_json(status: Status) -> Json:
    """The status as one object."""
    found = _plain(status)
    return {"version": 1, **found}


def _plain(value: Any) -> Any:  # noqa: ANN401 - whatever a status holds
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return value.value if isinstance(value, Enum) else value


def status_from_json(found: object) -> Status:
    """The status of such an object.

    Raises:
        ListingError: it is none.
    """
    if not isinstance(found, dict) or found.get("version") != 1:
        raise ListingError("The daemon's answer is no status that this program knows.")
    try:
        status: Status = _read(Status, {key: one for key, one in found.items() if key != "version"})
    except (ValueError, TypeError, KeyError, RecursionError, OverflowError) as error:
        raise ListingError("The daemon's answer can't be understood.") from error
    return status


def _read(kind: Any, value: Any) -> Any:  # noqa: ANN401 - as above
    if isinstance(kind, UnionType):
        if value is None and NoneType in get_args(kind):
            return None
        (kind,) = (one for one in get_args(kind) if one is not NoneType)
    if get_origin(kind) is tuple:
        if not isinstance(value, list):
            raise TypeError("no list")
        return tuple(_read(get_args(kind)[0], one) for one in value)
    if is_dataclass(kind):
        return _read_fields(kind, value)
    return _read_plain(kind, value)


def _read_fields(kind: Any, value: Any) -> Any:  # noqa: ANN401 - as above
    hints = get_type_hints(kind)
    if not isinstance(value, dict) or set(value) != set(hints):
        raise ValueError("other fields")
    return kind(**{name: _read(hints[name], value[name]) for name in hints})


def _read_plain(kind: Any, value: Any) -> Any:  # noqa: ANN401 - as above
    if kind is datetime:
        at = datetime.fromisoformat(value)
        if at.tzinfo is None:
            raise ValueError("a time without a zone")
        return at
    if issubclass(kind, Enum):
        return kind(value)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
        raise TypeError("another kind of value")
    return value


# -- on a terminal


def status_lines(status: Status, look: Look) -> list[Line]:
    """The status on a terminal."""
    page = Page(look)
    _say_daemon(page, status, look)
    parts: tuple[tuple[str, Callable[[Page, Status], None], object], ...] = (
        ("Drives and cards", _say_plugged, True),
        ("Under way", _say_under_way, status.under_way),
        ("Waiting", _say_waiting, status.waiting),
        ("Failed", _say_failing, status.failing),
        ("Damage", _say_damage, status.damage),
        ("Worth doing", _say_advice, status.advice),
    )
    for head, say, is_wanted in parts:
        if is_wanted:
            page.head(head)
            say(page, status)
    if status.drill:
        page.head("Restore drill")
        page.say(told(status.drill), indent=2)
    for note in status.notes:
        page.gap()
        page.say(told(note), tone=Tone.QUIET)
    return page.lines


def _say_daemon(page: Page, status: Status, look: Look) -> None:
    if status.unheard:
        page.say(told(status.unheard), tone=Tone.BAD)
    elif status.process is None:
        page.say("The daemon is not running: nothing is done by itself.", tone=Tone.BAD)
        page.say("Start it in this window, or with the computer:", indent=2)
        page.line("      backupkeeper run")
        page.line("      backupkeeper service install")
    elif status.paused_until is not None:
        page.say(f"Paused until {moment(status.paused_until, look.zone)}.", tone=Tone.WARN)
        page.say("To go on:", indent=2)
        page.line("      backupkeeper resume")
    else:
        since = age(status.since, status.at) if status.since is not None else "a while ago"
        page.say(f"The daemon runs (process {status.process}, begun {since}).", tone=Tone.GOOD)
    _say_line(page, status, look)
    if status.rolls_with_gaps:
        rolls = plural(status.rolls_with_gaps, "roll")
        left = f", {size(status.bytes_to_go)} to bring." if status.bytes_to_go else NOTHING_TO_BRING
        page.say(f"{rolls} with a gap{left}", tone=Tone.WARN)
    elif status.rolls == 0:
        page.say("No card was taken in yet.")
    else:
        page.say("No roll has a gap, as far as the facts go.")
    for one in status.arrivals:
        page.say(arrival_text(one, status.at, look.zone))


def _say_line(page: Page, status: Status, look: Look) -> None:
    """What the person's rules say of the line, where they say anything."""
    line = status.line
    if status.process is None or status.paused_until is not None:
        return
    until = f" (until {moment(line.changes_at, look.zone)})" if line.changes_at else ""
    if line.no_upload == WAITS_FOR_HOURS:
        page.say(f"Uploads wait for their hours{until}.")
    elif line.no_upload:
        page.say(told(line.no_upload), tone=Tone.WARN)
    elif line.limit_bytes_s is not None:
        page.say(f"Uploads take at most {limit(line.limit_bytes_s)}{until}.")
    elif until:
        page.say(f"Uploads take the whole line{until}.")
    for one in line.down:
        page.say(told(one), tone=Tone.WARN)


def _say_plugged(page: Page, status: Status) -> None:
    for drive in status.drives:
        mark = page.look.full if drive.point else page.look.open
        tone = Tone.WARN if drive.is_bare else Tone.PLAIN
        page.say(told(_drive(drive, status)), indent=2, first=f"{mark} ", tone=tone)
    for card in status.cards:
        page.say(told(_card(card, status)), indent=2, first=f"{page.look.dash} ", tone=_tone(card))
    for stranger in status.strangers:
        _say_one(page, stranger, Tone.QUIET)
    if not (status.drives or status.cards or status.strangers):
        page.say("Nothing.", indent=2)


def _say_one(page: Page, sentence: str, tone: Tone = Tone.PLAIN) -> None:
    page.say(told(sentence), indent=2, first=f"{page.look.dash} ", tone=tone)


def _drive(drive: DriveStatus, status: Status) -> str:
    name = f"{told(drive.name)} ({drive.role})"
    if drive.is_bare:
        return f"{name}: here without its marker. {drive.note}"
    if not drive.point:
        last = drive.last_seen
        when = (
            f"last seen {age(last, status.at)}" if last is not None else "never seen by the daemon"
        )
        more = f". {drive.note}" if drive.note and _PLAINLY_AWAY not in drive.note else ""
        return f"{name}: not here, {when}{more}"
    free = f", {size(drive.free_bytes)} free" if drive.free_bytes is not None else ""
    note = f"; {drive.note}" if drive.note else ""
    return f"{name} at {shown(drive.point)}{free}{note}"


def _card(card: CardStatus, status: Status) -> str:
    name = told(card.source or card.label)
    what = (
        f"card {name} at {shown(card.point)}: {plural(card.files, 'file')}, {size(card.size_bytes)}"
    )
    if card.may_wipe is not None and card.judged_at is not None:
        answer = "may be wiped" if card.may_wipe else "DO NOT WIPE"
        return f"{what}; {answer}, said {age(card.judged_at, status.at)}{_limits(card)}"
    if card.taken:
        return f"{what}; offloaded, not fit to be wiped yet. {card.note}".rstrip()
    return f"{what}; not offloaded. {card.note}".rstrip()


def _limits(card: CardStatus) -> str:
    """What belongs to a yes in the same breath."""
    if not card.may_wipe or (card.heard and not card.reasons):
        return ""
    known = " ".join(map(told, card.reasons)) if card.heard else ""
    return f", as far as was asked for. {known or 'Ask again before you wipe it.'}"


def _tone(card: CardStatus) -> Tone:
    if card.may_wipe is None:
        return Tone.PLAIN
    return Tone.GOOD if card.may_wipe else Tone.BAD


def _say_under_way(page: Page, status: Status) -> None:
    for deed in status.under_way:
        _say_one(page, deed.what)
        page.say(progress_words(deed), indent=4)


def progress_words(deed: DeedStatus) -> str:
    """How far a deed is: ``1.20 GB of 3.00 GB, 3 of 9 files, 80.0 MB/s, 23 s left at this rate``.

    One that moves no bytes is only said to be under way.
    """
    parts = [bytes_words(deed)]
    if deed.files_total:
        parts.append(f"{count(deed.files_done)} of {plural(deed.files_total, 'file')}")
    if deed.held:
        return ", ".join(
            [*parts, "waits: something more urgent uses its drive, or it is not its time"]
        )
    if deed.stopping:
        return ", ".join([*parts, "is ending"])
    if deed.bytes_a_second is not None:
        parts.append(rate(deed.bytes_a_second))
        if deed.seconds_left is not None:
            parts.append(f"{duration(deed.seconds_left)} left at this rate")
    return ", ".join(parts)


def bytes_words(deed: DeedStatus) -> str:
    """``1.20 GB of 3.00 GB``."""
    if not deed.bytes_total:
        return "under way"
    return f"{size(deed.bytes_done)} of {size(deed.bytes_total)}"


def _say_waiting(page: Page, status: Status) -> None:
    for one in status.waiting[:MOST_WAITING]:
        _say_one(page, wait_words(one), Tone.WARN if one.person else Tone.PLAIN)
    rest = len(status.waiting) - MOST_WAITING
    if rest > 0:
        page.say(f"and {plural(rest, 'more')}", indent=2)


def wait_words(one: WaitStatus) -> str:
    """What waits, how much it is, and why it waits."""
    to_go = f" ({size(one.size_bytes)} to go" if one.size_bytes else ""
    if to_go and one.seconds is not None:
        to_go += f", {duration(one.seconds)} at the rate measured before"
    return f"{told(one.what)}{to_go + ')' if to_go else ''}: {told(one.why)}"


def _say_failing(page: Page, status: Status) -> None:
    for one in status.failing:
        _say_one(page, one, Tone.WARN)


def _say_damage(page: Page, status: Status) -> None:
    for one in status.damage:
        _say_one(page, one, Tone.BAD)
    page.say("To see what can be done:", indent=2)
    page.line("      backupkeeper repair --dry-run")


def _say_advice(page: Page, status: Status) -> None:
    for one in status.advice:
        _say_one(page, one, Tone.WARN)


def needs_person(status: Status) -> bool:
    """Whether a person should do something."""
    waits = any(one.person for one in status.waiting)
    return (
        status.process is None
        or bool(status.failing or status.damage or status.strangers or status.advice)
        or any(drive.is_bare for drive in status.drives)
        or waits
    )
