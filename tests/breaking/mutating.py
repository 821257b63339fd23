"""Real examples made hostile: a few changes each, of bytes and of what stands between marks.

Drawn by Hypothesis, so that what fails is made small. A field is what stands in quotation marks or between
two tags, a number, or a word: enough to swap names for sizes and digests for paths in any of the
formats that are read here.
"""

import re
from collections.abc import Callable, Sequence
from typing import Final

from hypothesis import strategies as st

MOST_BYTES: Final = 64 * 1024
"""No hostile example is longer: what is hostile by its length alone is made by hand."""
MOST_TIMES: Final = 40
"""So often a piece is repeated, at most."""
HORRORS: Final = tuple(
    word.encode("utf-8", "surrogateescape")
    for word in (
        *("..", "../../etc/passwd", "/etc/passwd", "C:\\x", "a/../../b", ".", "//", "a\0b", "~/x"),
        *("\x1b]0;x\x07", "\x1b[2J", "\u202egpj.exe", "\n", "\r\n", "\t", " ", "\ufeff", "\udcff"),
        *(
            "$(touch x)",
            "`x`",
            "'; x '",
            '"',
            "<script>",
            "&amp;",
            "&x;",
            "]]>",
            "<!--",
            "%2e%2e%2f",
        ),
        *("-1", "0", "1e999", "NaN", "Infinity", "1" * 25, "9" * 5_000, str(2**63), "0x10", "007"),
        *("null", "true", "[]", "{}", "[" * 3_000, '{"a":' * 1_500, "e\u0301", "\u00e9", "x" * 300),
        *("0000-00-00", "9999-12-31T23:59:59+14:00", "0001-01-01T00:00:00-14:00", "2026-06-31"),
        *("original", "verified", "failed", "2.0", "version", "path", "a" * 32, "b" * 64, "data/"),
    )
)
_FIELD: Final = re.compile(
    rb'"(?:[^"\\]|\\.){0,400}"|(?<=>)[^<>]{1,400}(?=<)|(?<==)[^\s=]{1,400}|[0-9A-Za-z_./:+-]+'
)
_PIECE: Final = re.compile(rb"<[^<>]*>|[^\n]*\n|\{[^{}]*\}")

Change = Callable[[st.DrawFn, bytes], bytes]


def _span(draw: st.DrawFn, data: bytes, most: int = 200) -> tuple[int, int]:
    start = draw(st.integers(0, len(data)))
    return start, min(len(data), start + draw(st.integers(0, most)))


def _spot(draw: st.DrawFn, found: Sequence[tuple[int, int]], data: bytes) -> tuple[int, int]:
    """Where one of these stands; any place where there is none."""
    return draw(st.sampled_from(found)) if found else _span(draw, data)


def _fields(data: bytes) -> list[tuple[int, int]]:
    return [match.span() for match in _FIELD.finditer(data)]


def _pieces(data: bytes) -> list[tuple[int, int]]:
    return [match.span() for match in _PIECE.finditer(data)]


def flip(draw: st.DrawFn, data: bytes) -> bytes:
    """One bit of one byte."""
    if not data:
        return data
    at, bit = draw(st.integers(0, len(data) - 1)), draw(st.integers(0, 7))
    return data[:at] + bytes([data[at] ^ (1 << bit)]) + data[at + 1 :]


def scribble(draw: st.DrawFn, data: bytes) -> bytes:
    """Any bytes over, or between, those that are there."""
    start, end = _span(draw, data, 8)
    return data[:start] + draw(st.binary(max_size=12)) + data[end:]


def truncate(draw: st.DrawFn, data: bytes) -> bytes:
    """Cut off at the end, or at the beginning."""
    at = draw(st.integers(0, len(data)))
    return data[at:] if draw(st.integers(0, 4)) == 0 else data[:at]


def remove(draw: st.DrawFn, data: bytes) -> bytes:
    """A tag, line or object less."""
    start, end = _spot(draw, _pieces(data), data)
    return data[:start] + data[end:]


def grow(draw: st.DrawFn, data: bytes) -> bytes:
    """A tag, line, object or field many times."""
    found = _pieces(data) if draw(st.booleans()) else _fields(data)
    start, end = _spot(draw, found, data)
    return data[:end] + data[start:end] * draw(st.integers(1, MOST_TIMES)) + data[end:]


def horror(draw: st.DrawFn, data: bytes) -> bytes:
    """Something bad in a field's place, in its marks or without."""
    start, end = _spot(draw, _fields(data), data)
    word = draw(st.sampled_from(HORRORS))
    if data[start:end].startswith(b'"') and draw(st.booleans()):
        word = b'"' + word + b'"'
    return data[:start] + word + data[end:]


def swap(draw: st.DrawFn, data: bytes) -> bytes:
    """Two fields, each in the other's place."""
    fields = _fields(data)
    if len(fields) < 2:
        return data
    (a, b), (c, d) = sorted(draw(st.tuples(st.sampled_from(fields), st.sampled_from(fields))))
    if b > c:
        return data
    return data[:a] + data[c:d] + data[b:c] + data[a:b] + data[d:]


CHANGES: Final[tuple[Change, ...]] = (
    *(flip, scribble, truncate, remove, grow, horror, swap),
    *(horror, swap),  # twice as often: these get past the first look
)


@st.composite
def mutated(
    draw: st.DrawFn, examples: Sequence[bytes], most: int = 4, longest: int = MOST_BYTES
) -> bytes:
    """One of these examples after some changes; the piece of one may be put into another.

    Args:
        draw: Hypothesis's.
        examples: real ones.
        most: so many changes.
        longest: what is longer is cut off.
    """
    data = draw(st.sampled_from(examples))
    for _ in range(draw(st.integers(1, most))):
        if len(examples) > 1 and draw(st.integers(0, 9)) == 0:
            other = draw(st.sampled_from(examples))
            start, end = _spot(draw, _pieces(other), other)
            at = draw(st.integers(0, len(data)))
            data = data[:at] + other[start:end] + data[at:]
        else:
            data = draw(st.sampled_from(CHANGES))(draw, data)
    return data[:longest]
