"""Single values of a configuration: what they may be, and what would be right where they are not."""

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import time, timedelta
from decimal import Decimal
from enum import StrEnum
from itertools import chain
from typing import Final, TypeVar

from backupkeeper.config.settings import HashFormat, LayoutSettings
from backupkeeper.config.table import MOST_TEXT, wrong
from backupkeeper.core.age import SECRET_MARK, is_recipient
from backupkeeper.core.errors import UsageError
from backupkeeper.core.hours import WeekTime, Window
from backupkeeper.core.line import LineWindow
from backupkeeper.core.model import Role
from backupkeeper.core.naming import validate_part, validate_shoot, validate_template

_E = TypeVar("_E", bound=StrEnum)

MOST_DAYS: Final = 3650
MOST_ITEMS: Final = 50
MOST_WINDOWS: Final = 10
MOST_RECIPIENTS: Final = 20
_RECIPIENT_LIKE: Final = '["age1…"]'
MOST_PATTERN: Final = 100
WEEKDAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_FIELDS: Final = ("shoot", "source", "roll")
_FIELD: Final = re.compile(r"\{(shoot|source|roll)\}")
_NOT_IN_A_NAME: Final = frozenset('<>:"|?*\\{}') | {chr(code) for code in (*range(32), 127)}
"""Braces left over, and what exFAT can't hold (its specification, section 7.7.3)."""
_OURS: Final = frozenset({".backupkeeper", "ascmhl"})
_NOT_IN_XML: Final = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Everything but ``Char`` of XML 1.0, section 2.2."""
_CONTROL: Final = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_PAIR: Final = 2
_CLOCK: Final = re.compile(r"([01]?[0-9]|2[0-3]):[0-5][0-9]")
_RATE: Final = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,3})?) ?([kMG]?)(bit|B)/s")
_PREFIXES: Final = {"": 1, "k": 1_000, "M": 1_000_000, "G": 1_000_000_000}
_BITS: Final = 8
LEAST_LIMIT: Final = 8_000
"""Bytes a second. With less a store loses its patience with the parts that are on their way."""
MOST_LIMIT: Final = 125_000_000_000
"""Bytes a second (1,000 Gbit/s): more is a slip."""
_PRICE: Final = re.compile(r"[0-9]{1,9}(\.[0-9]{1,12})?")
_CLASS: Final = re.compile(r"[A-Z0-9_-]{1,60}")
_DATED: Final = re.compile(r"[0-9]{6}( |$)")
_PASSWORD_FROM: Final = re.compile(
    r"file:/[^\x00-\x1f]{1,1000}|credential:[A-Za-z0-9._-]{1,200}|keyring"
)


def yes_or_no(value: object) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        wrong("true or false")
    return value


def whole_number(least: int, most: int) -> Callable[[object], int]:
    """Reads a whole number within bounds, both included."""

    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            wrong(f"a whole number from {least} to {most}")
        return value

    return read


def days(value: object) -> timedelta:
    """A span in whole days."""
    return timedelta(days=whole_number(1, MOST_DAYS)(value))


def one_of(kind: type[_E]) -> Callable[[object], _E]:
    """Reads a member of an enumeration."""

    def read(value: object) -> _E:
        if not isinstance(value, str) or value not in set(kind):
            wrong(f"one of {quoted(kind)}")
        return kind(value)

    return read


def quoted(names: Sequence[str] | type[StrEnum]) -> str:
    """Names as they are written in TOML."""
    return ", ".join(f'"{name}"' for name in names)


def some_of(kind: type[_E], value: object) -> tuple[_E, ...]:
    """Several members of an enumeration, each once."""
    known = isinstance(value, list) and all(
        isinstance(item, str) and item in set(kind) for item in value
    )
    if not isinstance(value, list) or not known or len(set(value)) != len(value):
        wrong(f"a list of some of {quoted(kind)}, each once")
    return tuple(kind(item) for item in value)


def roles(value: object) -> tuple[Role, ...]:
    """At least one role."""
    roles = some_of(Role, value)
    if not roles:
        wrong(f"at least one of {quoted(Role)}: asking for nothing must never mean yes")
    return roles


def formats(value: object) -> tuple[HashFormat, ...]:
    """As asked for; ``xxh128`` is always there, and first: everything else here rests on it."""
    return tuple(dict.fromkeys((HashFormat.XXH128, *some_of(HashFormat, value))))


def xml_text(value: object) -> str:
    """A text that can stand in a manifest."""
    if not isinstance(value, str) or len(value) > MOST_TEXT or _NOT_IN_XML.search(value):
        wrong(f"a text of at most {MOST_TEXT} characters, none of them a control character")
    return value


def path_from(home: str, what: str = "file") -> Callable[[object], str]:
    """Reads the path of a file (or what else it is); ``~`` is the home folder."""

    def read(value: object) -> str:
        if not isinstance(value, str) or "\0" in value:
            wrong(f"the path of a {what}")
        path = home + value[1:] if value.startswith("~/") else value
        if not path.startswith("/") or path.endswith("/"):
            wrong(f'the path of a {what}, beginning with "/" or "~/"')
        return path

    return read


def template(value: object) -> str:
    """The layout of a roll: see ``LayoutSettings``."""
    if not isinstance(value, str):
        wrong("a text such as " + LayoutSettings().roll)
    parts = value.split("/")
    fields = [_FIELD.findall(part) for part in parts]
    if sorted(chain.from_iterable(fields)) != sorted(_FIELDS) or max(map(len, fields)) > 1:
        wrong("{shoot}, {source} and {roll}, each once and in a folder of its own")
    if any(part in {"", ".", ".."} for part in parts):
        wrong('a folder below the place: no "/" at either end, no empty part, no "." and no ".."')
    if any(part.casefold() in _OURS for part in parts):
        wrong(f"other folders than {quoted(sorted(_OURS))}: those have a meaning of their own")
    if _NOT_IN_A_NAME & set(_FIELD.sub("", value)) or any(p.endswith((" ", ".")) for p in parts):
        wrong(
            'folder names that any drive can hold: none of <>:"|?*\\{}, no space or dot at an end'
        )
    try:
        return validate_template(value)
    except UsageError as error:
        wrong(str(error))


def number(least: float, most: float) -> Callable[[object], float]:
    """Reads a number within bounds, both included."""

    def read(value: object) -> float:
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not least <= value <= most
        ):
            wrong(f"a number from {least:g} to {most:g}")
        return float(value)

    return read


def _time(text: str) -> time | None:
    if not _CLOCK.fullmatch(text):
        return None
    hours, _, minutes = text.partition(":")
    return time(int(hours), int(minutes))


def window(value: object) -> Window:
    """A part of the day, such as ``22:00-07:00``."""
    parts = [_time(part) for part in value.split("-")] if isinstance(value, str) else []
    start, end = parts if len(parts) == _PAIR else (None, None)
    if start is None or end is None or start == end:
        wrong('from and to, such as "22:00-07:00" (it may go over midnight)')
    return Window(start=start, end=end)


def window_or_none(value: object) -> Window | None:
    """The same; an empty text is none."""
    return None if value == "" else window(value)


def rate(value: object) -> int:
    """Bytes a second, written with its unit: bits and bytes are told apart, prefixes are decimal."""
    match = _RATE.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        wrong('a rate such as "20 Mbit/s" (bits) or "2.5 MB/s" (bytes), with k, M or G')
    exact = float(match[1]) * _PREFIXES[match[2]]
    found = round(exact / _BITS if match[3] == "bit" else exact)
    if not LEAST_LIMIT <= found <= MOST_LIMIT:
        wrong('a rate from "64 kbit/s" to "1000 Gbit/s"')
    return found


def line_limit(value: object) -> int | None:
    """The same; an empty text is none."""
    return None if value == "" else rate(value)


def line_windows(value: object) -> tuple[LineWindow, ...]:
    """Several parts of the day, each with a limit of its own or without."""
    if not isinstance(value, list) or len(value) > MOST_WINDOWS:
        wrong(
            f'a list of at most {MOST_WINDOWS} texts such as "22:00-07:00" or '
            '"07:00-22:00 at 20 Mbit/s"'
        )
    return tuple(_line_window(one) for one in value)


def _line_window(value: object) -> LineWindow:
    span, at, limit = value.partition(" at ") if isinstance(value, str) else (value, "", "")
    return LineWindow(window=window(span), limit=rate(limit) if at else None)


def week_time(value: object) -> WeekTime | None:
    """A moment of the week, such as ``monday 08:00``; an empty text is none."""
    if value == "":
        return None
    day, _, clock = value.lower().partition(" ") if isinstance(value, str) else ("", "", "")
    at = _time(clock)
    if day not in WEEKDAYS or at is None:
        wrong('a day and a time, such as "monday 08:00", or "" for never')
    return WeekTime(weekday=WEEKDAYS.index(day), at=at)


def plain_text(value: object) -> str:
    """A short text on one line."""
    if not isinstance(value, str) or len(value) > MOST_TEXT or _CONTROL.search(value):
        wrong(f"a text of at most {MOST_TEXT} characters on one line")
    return value


def texts(value: object) -> tuple[str, ...]:
    """Several short texts, none of them empty."""
    if not isinstance(value, list) or len(value) > MOST_ITEMS or "" in value:
        wrong(f"a list of at most {MOST_ITEMS} texts, none of them empty")
    return tuple(plain_text(one) for one in value)


def program(value: object) -> tuple[str, ...]:
    """A program and its arguments; none is none."""
    found = texts(value)
    if found and not found[0].startswith("/"):
        wrong('a program with its whole path, and its arguments, such as ["/usr/bin/logger"]')
    return found


def folders(value: object) -> tuple[str, ...]:
    """Absolute folders."""
    found = texts(value)
    if not all(one.startswith("/") and one.strip("/") for one in found) or any(
        part in {".", ".."} for one in found for part in one.split("/")
    ):
        wrong('a list of folders with their whole paths, such as ["/media"]')
    return tuple(one.rstrip("/") for one in found)


def password_from(value: object) -> str:
    """Where a password is: see ``MailSettings``."""
    if value != "" and (not isinstance(value, str) or not _PASSWORD_FROM.fullmatch(value)):
        wrong('"file:/path/of/it", "credential:NAME" (of systemd) or "keyring"')
    return str(value)


def path_or_none(home: str) -> Callable[[object], str]:
    """Reads the path of a file, or an empty text."""
    return lambda value: "" if value == "" else path_from(home)(value)


def folder_or_none(home: str) -> Callable[[object], str]:
    """Reads the path of a folder, or an empty text; a ``/`` at its end is left out."""

    def read(value: object) -> str:
        text = value.rstrip("/") if isinstance(value, str) and value.strip("/") else value
        return "" if text == "" else path_from(home, "folder")(text)

    return read


def source_name(value: object) -> str:
    """What a camera or recorder is called."""
    return _part(value, "source")


def shoot_name(value: object) -> str:
    """What a shoot is called, after its date; empty: nothing."""
    if value == "":
        return ""
    text = plain_text(value)
    if _DATED.match(text):
        wrong("a name without a date, such as Boatyard: the recordings have the date")
    try:
        validate_shoot(f"260612 {text}")
    except UsageError as error:
        wrong(str(error))
    return text


def _part(value: object, what: str) -> str:
    text = plain_text(value)
    try:
        validate_part(text, what)
    except UsageError as error:
        wrong(str(error))
    return text


def pattern(value: object) -> str:
    """A pattern with ``*`` and ``?``."""
    text = plain_text(value)
    if not text.strip("/") or len(text) > MOST_PATTERN:
        wrong(f"a pattern of 1 to {MOST_PATTERN} characters, such as WIDE*")
    return text


def patterns(value: object) -> tuple[str, ...]:
    """Several patterns."""
    return tuple(pattern(one) for one in texts(value))


def price(value: object) -> Decimal:
    """An amount of money, exactly as it is written."""
    wanted = 'an amount such as "0.023", not less than 0'
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        wrong(wanted)
    if not _PRICE.fullmatch(str(value)):
        wrong(wanted)
    return Decimal(str(value))


def price_or_none(value: object) -> Decimal | None:
    """The same; an empty text is none that is known."""
    return None if value == "" else price(value)


def class_or_none(value: object) -> str:
    """The name of a storage class; an empty text is the bucket's own."""
    if not isinstance(value, str) or (value and not _CLASS.fullmatch(value)):
        wrong('a storage class such as "STANDARD_IA", or "" for the bucket\'s own')
    return value


def prices_by_class(value: object) -> Mapping[str, Decimal]:
    """Amounts by storage class."""
    wanted = 'prices by storage class, such as { STANDARD = "0.023" }'
    if not isinstance(value, dict) or len(value) > MOST_ITEMS:
        wrong(wanted)
    if not all(_CLASS.fullmatch(name) for name in value):
        wrong(wanted)
    return {name: price(amount) for name, amount in value.items()}


def recipients(value: object) -> tuple[str, ...]:
    """Public halves of keys of the format age, each once; in capitals they are the same."""
    if not isinstance(value, list) or len(value) > MOST_RECIPIENTS:
        wrong(f"a list of at most {MOST_RECIPIENTS} recipients, such as {_RECIPIENT_LIKE}")
    found = []
    for one in value:
        name = one.lower() if isinstance(one, str) and one.isupper() else one
        if isinstance(name, str) and name.upper().startswith(SECRET_MARK):
            wrong(
                "the public half, which begins with age1. This is the secret one: take it out of "
                "this file, and think of who may have read it"
            )
        if not isinstance(name, str) or not is_recipient(name):
            wrong(
                f"recipients as age programs write them, such as {_RECIPIENT_LIKE}: age1 and 58 "
                "more characters, copied whole"
            )
        found.append(name)
    if len(set(found)) < len(found):
        wrong("each recipient once")
    return tuple(found)
