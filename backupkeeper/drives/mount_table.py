"""The mount table of Linux, as text of the kernel: ``/proc/self/mountinfo`` (pure).

Promises:
1. Names are bytes: escapes are undone as octal bytes, undecodable ones kept (PEP 383).
2. Read-only is believed from either field that may say it.
3. A line that can't be understood is passed over: one odd mount must not hide a drive.

Source: proc(5), man-pages 6.03 (STANDARDS section 9.1).
"""

import re
from dataclasses import dataclass
from typing import Final

_ESCAPE: Final = re.compile(rb"\\([0-3][0-7]{2})")
_FIELDS_BEFORE: Final = 6
_FIELDS_AFTER: Final = 3
_NUMBER: Final = re.compile(rb"[0-9]{1,18}")


@dataclass(frozen=True, kw_only=True, slots=True)
class MountLine:
    """One line: all of ``ports.mounts.Mount`` but the token, which needs more than the line."""

    mount_id: int
    device_number: tuple[int, int]
    root: str
    point: str
    read_only: bool
    fs_type: str
    source: str


def parse_mountinfo(data: bytes) -> tuple[MountLine, ...]:
    """All lines that can be understood, in the order of the kernel."""
    lines = (_parse_line(line) for line in data.split(b"\n"))
    return tuple(line for line in lines if line is not None)


def _parse_line(line: bytes) -> MountLine | None:
    before, separator, after = line.partition(b" - ")
    head, tail = before.split(b" "), after.split(b" ")
    if not separator or len(head) < _FIELDS_BEFORE or len(tail) < _FIELDS_AFTER:
        return None
    major, _, minor = head[2].partition(b":")
    if not all(_NUMBER.fullmatch(number) for number in (head[0], major, minor)):
        return None
    return MountLine(
        mount_id=int(head[0]),
        device_number=(int(major), int(minor)),
        root=_unescaped(head[3]),
        point=_unescaped(head[4]),
        read_only=b"ro" in head[5].split(b",") or b"ro" in tail[2].split(b","),
        fs_type=_unescaped(tail[0]),
        source=_unescaped(tail[1]),
    )


def _unescaped(field: bytes) -> str:
    plain = _ESCAPE.sub(lambda match: bytes([int(match[1], 8)]), field)
    return plain.decode("utf-8", "surrogateescape")
