"""Text and times as XML writes them; the little that a manifest needs.

Promises:
1. What ``element`` and ``attribute`` write is read back by any XML reader as the same text, with
   all white space: a carriage return goes as ``&#13;`` (XML 1.0 §2.11 would normalise it).
2. Callers hand in only what XML can carry (``names.fits_xml``).
"""

import re
from datetime import UTC, datetime, timedelta
from typing import Final

_TEXT: Final = {ord("&"): "&amp;", ord("<"): "&lt;", ord(">"): "&gt;", ord("\r"): "&#13;"}
_ATTRIBUTE: Final = {**_TEXT, ord('"'): "&quot;", ord("\t"): "&#9;", ord("\n"): "&#10;"}
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND_NS: Final = 1_000_000_000
_DATE_TIME: Final = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)(?:\.(\d{1,9})\d*)?(Z|[+-]\d\d:\d\d)?", re.ASCII
)


def element(name: str, text: str, attributes: str = "") -> str:
    """One element with nothing but text in it; ``attributes`` as ``attribute`` makes them."""
    return f"<{name}{attributes}>{text.translate(_TEXT)}</{name}>"


def attribute(name: str, text: str | None) -> str:
    """One attribute with the space before it; nothing for None."""
    return "" if text is None else f' {name}="{text.translate(_ATTRIBUTE)}"'


def instant(at: datetime) -> str:
    """A time in UTC as ``xs:dateTime``.

    The time must be aware.
    """
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def instant_ns(ns: int | None) -> str | None:
    """Nanoseconds since 1970 as ``xs:dateTime``; None outside of the years 1 to 9999."""
    if ns is None:
        return None
    seconds, rest = divmod(ns, _SECOND_NS)
    try:
        whole = (_EPOCH + timedelta(seconds=seconds)).replace(tzinfo=None).isoformat()
    except OverflowError:
        return None
    fraction = f".{rest:09d}".rstrip("0") if rest else ""
    return f"{whole}{fraction}Z"


def read_instant_ns(text: str) -> int | None:
    """Nanoseconds since 1970, or None: no such form, no such day, or no zone given."""
    match = _DATE_TIME.fullmatch(text.strip())
    if match is None or match[8] is None:
        return None
    try:
        whole = datetime(*(int(match[part]) for part in range(1, 7)), tzinfo=UTC)  # type: ignore[arg-type,misc]  # six numbers, none is a tzinfo
    except ValueError:
        return None
    seconds = (whole - _EPOCH) // timedelta(seconds=1)
    if match[8] != "Z":
        hours, minutes = int(match[8][1:3]), int(match[8][4:6])
        ahead = hours * 3600 + minutes * 60
        seconds += ahead if match[8][0] == "-" else -ahead
    return seconds * _SECOND_NS + int((match[7] or "0").ljust(9, "0"))


def read_instant(text: str) -> datetime | None:
    """The same as an aware time in UTC, cut to microseconds."""
    ns = read_instant_ns(text)
    if ns is None:
        return None
    try:
        return _EPOCH + timedelta(microseconds=ns // 1000)
    except OverflowError:
        return None
