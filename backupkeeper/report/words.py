r"""Single words and numbers as a person reads them: paths, sizes, times, ages.

Promises:
1. What ``shown`` and ``told`` return can be sent to any terminal: no control character, no
   escape sequence, no half of a surrogate pair, nothing that turns the reading direction, nothing
   invisible. Such a character stands there as ``\n``, ``\x1b``, ``\u202e`` ...
2. ``shown`` is injective: two different paths never look the same, because a backslash is doubled.
   Blanks that get lost to the eye, or push text to the next line, stand there as ``\x20``.
3. Sizes are decimal, as drives and cards are sold: 1 kB is 1,000 bytes.
"""

import unicodedata
from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Final

from backupkeeper.core.typed import LOST_BLANK, is_hidden

_SHORT: Final = {"\n": r"\n", "\r": r"\r", "\t": r"\t"}
_RAW_BYTE: Final = range(0xDC80, 0xDD00)
"""PEP 383: a byte that is not UTF-8, shifted here."""
_UNITS: Final = ("kB", "MB", "GB", "TB", "PB", "EB")
_STEP: Final = 1000
_TEN: Final = 10
_HUNDRED: Final = 100
_SOON: Final = timedelta(minutes=1)
_DAYS_TOLD: Final = 60
_MONTHS_TOLD: Final = 24
_MOST_SPANS: Final = 4


def _escape(character: str) -> str:
    code = ord(character)
    if code in _RAW_BYTE:
        return f"\\x{code - 0xDC00:02x}"
    if code < 0x80:  # noqa: PLR2004 - beyond, two digits mean a byte that is not UTF-8
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"  # noqa: PLR2004 - four digits


@lru_cache(maxsize=4096)
def _visible(character: str) -> str:
    if character == " ":
        return character
    if character in _SHORT:
        return _SHORT[character]
    if is_hidden(character):
        return _escape(character)
    return character


def told(sentence: str) -> str:
    """A sentence of any origin, on one line, fit for a terminal. A backslash stays single."""
    if sentence.isascii() and sentence.isprintable():  # most are: nothing to look for
        return sentence
    return "".join(map(_visible, sentence))


def shown(path: str) -> str:
    """A path or name of any origin, on one line, fit for a terminal.

    Args:
        path: text with PEP 383 surrogates for bytes that are not UTF-8.
    """
    return LOST_BLANK.sub(r"\\x20", told(path.replace("\\", "\\\\")))


def cells(text: str) -> int:
    """How many columns of a terminal a text takes (Unicode Standard Annex 11: wide takes two)."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(one) else 1 + (unicodedata.east_asian_width(one) in "WF")
        for one in text
    )


def size(byte_count: float) -> str:
    """``812 bytes``, ``1.20 GB``, ``12.3 MB``: three digits, decimal units."""
    if byte_count < _STEP:
        return plural(int(byte_count), "byte")
    value = float(byte_count)
    unit = _UNITS[0]
    for unit in _UNITS:  # noqa: B007 - the last one tried is the one to tell
        value /= _STEP
        if value < _STEP - 0.5:
            break
    digits = 2 if value < _TEN - 0.005 else 1 if value < _HUNDRED - 0.05 else 0
    return f"{value:,.{digits}f} {unit}"


def rate(bytes_per_second: float) -> str:
    """``160 MB/s``."""
    return f"{size(bytes_per_second)}/s"


def limit(bytes_per_second: float) -> str:
    """``2.50 MB/s (20 Mbit/s)``: as the line is sold, too."""
    return f"{rate(bytes_per_second)} ({bytes_per_second * 8 / 1e6:,.4g} Mbit/s)"


def count(number: int) -> str:
    """``12,345``."""
    return f"{number:,}"


def plural(number: int, one: str, many: str | None = None) -> str:
    """``1 file``, ``2 files``, ``2 entries``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def spans(ranges: Sequence[tuple[int, int]], whole: int) -> str:
    """``bytes 512 to 1,023 (512 bytes of 1.20 GB)``: first and last byte, counted from 0.

    Args:
        ranges: half-open.
        whole: bytes of the file.
    """
    parts = [
        f"{count(start)} to {count(end - 1)}" if end - start > 1 else count(start)
        for start, end in ranges[:_MOST_SPANS]
    ]
    if len(ranges) > _MOST_SPANS:
        parts.append(f"and {plural(len(ranges) - _MOST_SPANS, 'range')} more")
    lost = sum(end - start for start, end in ranges)
    name = "byte" if lost == 1 else "bytes"
    return f"{name} {', '.join(parts)} ({size(lost)} of {size(whole)})"


def duration(seconds: float) -> str:
    """``40 s``, ``3 min 20 s``, ``22 h 13 min``, ``4 days 2 h``."""
    whole = max(0, round(seconds))
    minutes, rest = divmod(whole, 60)
    hours, minutes_left = divmod(minutes, 60)
    days, hours_left = divmod(hours, 24)
    if days:
        return f"{plural(days, 'day')} {hours_left} h" if hours_left else plural(days, "day")
    if hours:
        return f"{hours} h {minutes_left:02} min"
    if minutes:
        return f"{minutes} min {rest:02} s"
    return f"{whole} s"


def age(then: datetime, now: datetime) -> str:
    """``just now``, ``20 minutes ago``, ``3 days ago``, ``5 months ago``; honest about the future."""
    passed = now - then
    if passed < -_SOON:
        return "dated in the future: check the clock"
    if passed < _SOON:
        return "just now"
    return f"{_span(passed)} ago"


def _span(passed: timedelta) -> str:
    minutes = int(passed.total_seconds() // 60)
    if minutes < 60:  # noqa: PLR2004 - minutes of an hour
        return plural(minutes, "minute")
    if passed < timedelta(days=1):
        return plural(minutes // 60, "hour")
    if passed.days < _DAYS_TOLD:
        return plural(passed.days, "day")
    months = passed.days * 12 // 365
    if months < _MONTHS_TOLD:
        return plural(months, "month")
    return plural(passed.days // 365, "year")


def moment(at: datetime, zone: tzinfo) -> str:
    """``2026-06-12 18:04`` in the zone of the person."""
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M}"
