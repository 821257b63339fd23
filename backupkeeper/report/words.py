r"""Values in words: paths that can't harm a terminal, sizes, durations, ages, local times.

Promises:
1. What ``escape`` and ``escape_sentence`` give has no control character, no character that turns
   or hides text, no line break, and can be encoded.
2. ``escape`` is reversible: a backslash becomes two, an undecodable byte ``\xff``, a character
   ``\u202e`` (``\x1b`` and ``\n`` for the well-known controls), so two paths never look the same.
3. Sizes count in thousands, as drives are sold. A size is never rounded up to the next unit's one.
"""

from datetime import datetime, timedelta, tzinfo

_SHORT = {"\n": "\\n", "\r": "\\r", "\t": "\\t", "\\": "\\\\"}
_UNITS = ("kB", "MB", "GB", "TB", "PB")
_THOUSAND = 1000
_FIRST_OF_TWO_BYTES = 0x80
_LAST_OF_FOUR_DIGITS = 0xFFFF
_FIRST_SURROGATE_BYTE, _LAST_SURROGATE_BYTE = 0xDC80, 0xDCFF


def escape(path: str, *, ascii_only: bool = False) -> str:
    """A path as a terminal may show it.

    Args:
        path: Text with PEP 383 surrogates for bytes that are not UTF-8.
        ascii_only: Whether everything beyond ASCII is written as an escape too.
    """
    return "".join(_shown(char, ascii_only=ascii_only) for char in path)


def escape_sentence(text: str, *, ascii_only: bool = False) -> str:
    """A sentence that may hold a raw path: as ``escape``, but a backslash stays one.

    Sentences come from other parts with paths inside; what was escaped there stays readable.
    """
    return "".join(char if char == "\\" else _shown(char, ascii_only=ascii_only) for char in text)


def _shown(char: str, *, ascii_only: bool) -> str:
    if char in _SHORT:
        return _SHORT[char]
    if char.isprintable() and (char.isascii() or not ascii_only):
        return char
    code = ord(char)
    if code < _FIRST_OF_TWO_BYTES:
        return f"\\x{code:02x}"
    if _FIRST_SURROGATE_BYTE <= code <= _LAST_SURROGATE_BYTE:
        return f"\\x{code - 0xDC00:02x}"
    return f"\\u{code:04x}" if code <= _LAST_OF_FOUR_DIGITS else f"\\U{code:08x}"


def size(byte_count: int) -> str:
    """A size in decimal units: ``812 bytes``, ``4.2 MB``, ``1.00 TB``: three digits, cut off."""
    if byte_count < _THOUSAND:
        return plural(byte_count, "byte")
    unit, scale = -1, 1
    while byte_count >= scale * _THOUSAND and unit < len(_UNITS) - 1:
        unit, scale = unit + 1, scale * _THOUSAND
    whole = byte_count // scale
    digits = max(0, 3 - len(str(whole)))
    if not digits:
        return f"{whole:,} {_UNITS[unit]}"
    part = byte_count % scale * 10**digits // scale
    return f"{whole}.{part:0{digits}} {_UNITS[unit]}"


def plural(count: int, noun: str, many: str | None = None) -> str:
    """``1 file``, ``2,000 files``; ``many`` where an s is not enough."""
    return f"{count:,} {noun if count == 1 else many or noun + 's'}"


def duration(seconds: float) -> str:
    """Time that work takes: ``8 s``, ``4 min 10 s``, ``3 h 05 min``, ``2 days 4 h``."""
    whole = max(0, round(seconds))
    minutes, hours, days = whole // 60, whole // 3600, whole // 86400
    if not minutes:
        return f"{whole} s"
    if not hours:
        return f"{minutes} min {whole % 60:02} s"
    if not days:
        return f"{hours} h {minutes % 60:02} min"
    return f"{plural(days, 'day')} {hours % 24} h"


def age(then: datetime, now: datetime) -> str:
    """How long ago: ``just now``, ``5 minutes ago``, ``3 days ago``, ``2 years ago``."""
    gone = now - then
    if gone < timedelta(0):
        return "in the future, by this computer's clock"
    for unit, noun in (
        (timedelta(days=365), "year"),
        (timedelta(days=60), ""),
        (timedelta(days=1), "day"),
        (timedelta(hours=1), "hour"),
        (timedelta(minutes=1), "minute"),
    ):
        if gone >= unit:
            if not noun:
                return f"{gone.days // 30} months ago"
            return f"{plural(gone // unit, noun)} ago"
    return "just now"


def local_time(at: datetime, zone: tzinfo) -> str:
    """A time where the person is, to the minute: ``2026-06-12 18:40``."""
    return at.astimezone(zone).strftime("%Y-%m-%d %H:%M")


def joined(names: tuple[str, ...] | list[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(names) <= 1:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"
