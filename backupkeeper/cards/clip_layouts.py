"""Where the bytes of a clip's packets lie, by container.

Where packets lie was tried (SEEN.md section 3, and the tests): for MP4, MOV, WAV and clip-wrapped MXF
at ``pos``; for frame-wrapped MXF the key and length of the KLV triplet come first; for AVI ``pos`` is
behind the chunk's 8-byte header. Transport streams cut packets into pieces: they are not read.
"""

from dataclasses import dataclass, replace
from io import SEEK_END
from typing import BinaryIO, Final

from backupkeeper.core.clip_harm import Near
from backupkeeper.core.ranges import Ranges, merged

_KEY_BYTES: Final = 16
_HEADER_BYTES: Final = 25
"""Key and the longest length of a KLV triplet (SMPTE ST 377-1: 8 bytes after the first)."""
_REACH: Final = 1 << 20
"""Triplets this close to a hurt byte are looked at: what fills up behind a packet is less."""
_LABEL: Final = bytes.fromhex("060e2b34")
_FILL: Final = bytes.fromhex("060e2b34010101") + b"\0" + bytes.fromhex("0301021001000000")
"""Key of a triplet that fills up (from memory); its eighth byte is a version and differs."""
_LONG: Final = 0x80
"""A first byte of a length above this says how many bytes of length follow (BER)."""
_NOTES: Final = (bytes.fromhex("0d01030104"), bytes.fromhex("0d01030114"))
"""What the key of a system item holds in the middle (SMPTE ST 379, from memory)."""
_ESSENCE: Final = tuple(
    bytes.fromhex("0d010301") + bytes([one]) for one in (0x05, 0x06, 0x07, 0x15, 0x16, 0x17, 0x18)
)
"""The same of what carries pictures, sound and data."""
_MOST_BEHIND: Final = 16
_CHUNK_BYTES: Final = 8
_MOST_BOXES: Final = 100_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Lies:
    """Where a packet's bytes are: its own header, what it carries, and what comes behind it.

    ``fills`` fill up; ``notes`` are the camera's for the next picture (time code and the like).
    """

    begin: int
    payload: int
    end: int
    fills: Ranges = ()
    notes: Ranges = ()
    is_known: bool = False
    """Whether its own header says so: then it need not be held against the file."""


class Plain:
    """Packets lie where the library says."""

    def __init__(self, file: BinaryIO, near: Near) -> None:
        self._file = file
        self._near = near

    def lies(self, at: int, size: int, *, look: bool) -> Lies:
        """Where a packet's bytes are.

        Args:
            at: what the library says.
            size: of what it carries.
            look: read the packet's header even far from hurt bytes.
        """
        del look
        return Lies(begin=at, payload=at, end=at + size)


class Chunks(Plain):
    """AVI: what the library says is behind the chunk's name and length, for the first of a chunk."""

    def lies(self, at: int, size: int, *, look: bool) -> Lies:
        """As above."""
        plain = super().lies(at, size, look=look)
        if self._near.first(at - _CHUNK_BYTES, at) is None:
            return plain
        head = read_at(self._file, at - _CHUNK_BYTES, _CHUNK_BYTES)
        is_head = head[:2].isdigit() and int.from_bytes(head[4:], "little") >= size
        return replace(plain, begin=at - _CHUNK_BYTES) if is_head else plain


class Triplets(Plain):
    """MXF: the library says where the KLV triplet begins, or (clip-wrapped) what it carries."""

    def lies(self, at: int, size: int, *, look: bool) -> Lies:
        """As above."""
        plain = super().lies(at, size, look=look)
        if not look and self._near.first(at, at + size + _REACH) is None:
            return plain
        triplet = self._triplet(at)
        if triplet is None:
            return plain
        _, payload, end = triplet
        fills: list[tuple[int, int]] = []
        notes: list[tuple[int, int]] = []
        behind = end
        for _ in range(_MOST_BEHIND):
            more = self._triplet(behind)
            if more is None or more[0][8:13] in _ESSENCE:
                break
            if more[0] == _FILL:
                fills.append((behind, more[2]))
            elif more[0][8:13] in _NOTES:
                notes.append((behind, more[2]))
            behind = more[2]
        return Lies(
            begin=at,
            payload=payload,
            end=end,
            fills=merged(fills),
            notes=merged(notes),
            is_known=True,
        )

    def _triplet(self, at: int) -> tuple[bytes, int, int] | None:
        """Key (its version as 0), begin and end of what it carries; None where there is none."""
        head = read_at(self._file, at, _HEADER_BYTES)
        if len(head) <= _KEY_BYTES or not head.startswith(_LABEL):
            return None
        short = head[_KEY_BYTES]
        payload = at + _KEY_BYTES + 1
        if short < _LONG:
            length = short
        else:
            payload += short - _LONG
            length = int.from_bytes(head[_KEY_BYTES + 1 : payload - at], "big")
            if not 0 < short - _LONG <= len(head) - _KEY_BYTES - 1:
                return None
        return head[:7] + b"\0" + head[8:_KEY_BYTES], payload, payload + length


LAYOUTS: Final[dict[str, type[Plain]]] = {
    "mov": Plain,
    "wav": Plain,
    "avi": Chunks,
    "mxf": Triplets,
}


def read_at(file: BinaryIO, at: int, size: int) -> bytes:
    """Bytes of a file, fewer at its end."""
    file.seek(at)
    found = bytearray()
    while len(found) < size and (more := file.read(size - len(found))):
        found += more
    return bytes(found)


def media_of(file: BinaryIO, kind: str) -> Ranges:
    """Where pictures and sound may lie at all; what is elsewhere says how to read them.

    Args:
        file: the clip.
        kind: of container, from ``FORMATS``.

    Returns:
        Nothing where that can't be told. All of the file for containers that have no such walls.
    """
    size = file.seek(0, SEEK_END)
    if kind == "mov":
        return _boxed(file, size)
    if kind == "avi":
        return _listed(file, size)
    return ((0, size),)


def _boxed(file: BinaryIO, size: int) -> Ranges:
    """The contents of ``mdat`` boxes (STANDARDS section 8.2)."""
    found, at = [], 0
    for _ in range(_MOST_BOXES):
        head = read_at(file, at, 16)
        if len(head) < _CHUNK_BYTES:
            break
        length, begin = int.from_bytes(head[:4], "big"), at + _CHUNK_BYTES
        if length == 1:
            length, begin = int.from_bytes(head[8:], "big"), at + 16
        end = at + length if length else size
        if end < begin:
            break
        if head[4:8] == b"mdat":
            found.append((begin, end))
        at = end
    return merged(found)


def _listed(file: BinaryIO, size: int) -> Ranges:
    """The contents of ``movi`` lists in the ``RIFF`` chunks of an AVI (from memory)."""
    found, at = [], 0
    for _ in range(_MOST_BOXES):
        head = read_at(file, at, 12)
        if len(head) < _CHUNK_BYTES or at >= size:
            break
        end = at + _CHUNK_BYTES + int.from_bytes(head[4:8], "little")
        if head[:4] == b"RIFF":
            at += 12
            continue
        if head[:4] == b"LIST" and head[8:] == b"movi":
            found.append((at + 12, end))
        at = end + end % 2
    return merged(found)
