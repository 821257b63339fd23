"""Bars as PNG (ISO/IEC 15948), drawn here: a few colours, a few hundred bytes each.

Promises:
1. The parts of a bar differ in their pattern too: full, slanted stripes, dots.
2. What is there at all has at least one column; the ground is transparent, so that it can be light or
   dark. The colours stand out from both.
"""

import struct
import zlib
from typing import Final

from backupkeeper.report.mail_parts import Bar, Part

WIDE, HIGH = 320, 24
"""In pixels; shown at half of that."""
_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
_NOTHING, _FRAME = 0, 1
_COLOURS: Final = ((0, 0, 0), (138, 138, 138), (46, 125, 91), (176, 125, 18), (201, 72, 59))
_INDEX: Final = {Part.PROVEN: 2, Part.DUE: 3, Part.LACKING: 4}


def png(bar: Bar) -> bytes:
    """The picture of a bar."""
    columns = _columns(bar)
    rows = b"".join(b"\0" + bytes(_pixel(columns, x, y) for x in range(WIDE)) for y in range(HIGH))
    head = struct.pack(">IIBBBBB", WIDE, HIGH, 8, 3, 0, 0, 0)  # eight bits a pixel, by palette
    return b"".join(
        (
            _SIGNATURE,
            _chunk(b"IHDR", head),
            _chunk(b"PLTE", b"".join(map(bytes, _COLOURS))),
            _chunk(b"tRNS", b"\0"),  # the first colour is none
            _chunk(b"IDAT", zlib.compress(rows, 9)),
            _chunk(b"IEND", b""),
        )
    )


def _columns(bar: Bar) -> list[Part | None]:
    """What each column within the frame shows."""
    wide = WIDE - 2
    total = sum(number for _, number in bar.parts)
    if not total:
        return [None] * wide
    shown = [(part, number) for part, number in bar.parts if number > 0]
    widths = [max(1, number * wide // total) for _, number in shown]
    widths[widths.index(max(widths))] += wide - sum(widths)
    return [part for (part, _), width in zip(shown, widths, strict=True) for _ in range(width)]


def _pixel(columns: list[Part | None], x: int, y: int) -> int:
    if x in {0, WIDE - 1} or y in {0, HIGH - 1}:
        return _FRAME
    part = columns[x - 1]
    if part is None:
        return _NOTHING
    is_inked = {
        Part.PROVEN: True,
        Part.DUE: (x + y) % 8 < 5,  # noqa: PLR2004 - stripes of five pixels of eight
        Part.LACKING: x % 6 < 4 and y % 6 < 4,  # noqa: PLR2004 - dots of four pixels of six
    }[part]
    return _INDEX[part] if is_inked else _NOTHING


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
