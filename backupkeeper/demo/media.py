"""Made-up media files with real structure, written on the spot and the same every time.

Promises:
1. The same name, seed and size give the same bytes, on every machine.
2. A clip is an ISO base media file whose boxes sum to exactly its size, index last, as a camera
   leaves it; sound is a broadcast wave file; a photograph is a baseline JPEG; sidecars are text.
3. Memory stays at a few MiB whatever the size.

Left to others: which files lie on which card (``cards``). The pictures and the sound are noise.

    with open("BOAT0001.MP4", "wb") as file:
        for piece in clip_bytes(seed="Wide", name="BOAT0001.MP4", size=64 * MIB, made_at=when):
            file.write(piece)
"""

import hashlib
import struct
from collections.abc import Iterator
from datetime import UTC, datetime

MIB = 1024 * 1024
_EPOCH_1904 = datetime(1904, 1, 1, tzinfo=UTC)
"""ISO base media counts seconds from here (ISO/IEC 14496-12, from memory)."""
_FRAMES_PER_SECOND = 25
_FRAME_BYTES = 64 * 1024
_SOUND_RATE = 48_000
_SOUND_FRAME_BYTES = 6
"""Two channels of 24 bits."""
_SEGMENT_HEAD = 4
"""Bytes of a JPEG segment's marker and length."""


def noise(*, seed: str, name: str, size: int) -> Iterator[bytes]:
    """Bytes that do not repeat block by block and cost little: a random MiB, numbered each time.

    Args:
        seed: With ``name``, what the bytes come from.
        name: Name of the file.
        size: Bytes wanted in all.

    Yields:
        Pieces of at most one MiB.
    """
    pad = hashlib.shake_128(f"{seed}\0{name}".encode()).digest(MIB)
    for number in range((size + MIB - 1) // MIB):
        head = hashlib.blake2b(number.to_bytes(8, "big") + pad[:64]).digest()
        length = min(MIB, size - number * MIB)
        yield (head + pad[len(head) :])[:length]


def clip_bytes(*, seed: str, name: str, size: int, made_at: datetime) -> Iterator[bytes]:
    """A clip as a camera leaves it: ``ftyp``, ``mdat`` (64-bit size), ``moov`` last.

    Args:
        seed: With ``name``, what the samples come from.
        name: Name of the file.
        size: Size of the whole file in bytes; at least 256 KiB.
        made_at: When it was recorded; aware.

    Yields:
        Pieces of the file in order.

    Layout: ISO base media, STANDARDS section 8.2; fields inside ``moov`` from memory.
    """
    front = _box(b"ftyp", b"isom" + struct.pack(">I", 512) + b"isomiso2mp41")
    first_sample = len(front) + 16
    # Each frame costs its own bytes and four in the index.
    empty_index = len(_index([], first_sample, made_at))
    frames = (size - first_sample - empty_index) // (_FRAME_BYTES + 4)
    samples_bytes = size - first_sample - empty_index - 4 * frames
    sizes = [_FRAME_BYTES] * frames
    sizes[-1] += samples_bytes - frames * _FRAME_BYTES
    yield front
    yield struct.pack(">I4sQ", 1, b"mdat", 16 + samples_bytes)
    yield from noise(seed=seed, name=name, size=samples_bytes)
    yield _index(sizes, first_sample, made_at)


def _box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), kind) + body


def _full_box(kind: bytes, body: bytes, *, flags: int = 0) -> bytes:
    return _box(kind, struct.pack(">I", flags) + body)


_UNITY = struct.pack(">9I", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)
_WIDTH, _HEIGHT = 1920, 1080


def _index(sizes: list[int], first_sample: int, made_at: datetime) -> bytes:
    """``moov`` with one picture track: every sample one chunk's worth of the ``mdat`` before it."""
    seconds = int((made_at - _EPOCH_1904).total_seconds())
    scale = _FRAMES_PER_SECOND
    length = len(sizes)
    times = struct.pack(">4I", seconds, seconds, scale, length)
    head = _full_box(
        b"mvhd",
        times + struct.pack(">IH10x", 0x10000, 0x100) + _UNITY + bytes(24) + struct.pack(">I", 2),
    )
    track_head = _full_box(
        b"tkhd",
        struct.pack(">5I8x4h", seconds, seconds, 1, 0, length, 0, 0, 0, 0)
        + _UNITY
        + struct.pack(">2I", _WIDTH << 16, _HEIGHT << 16),
        flags=7,
    )
    picture = _box(
        b"mp4v",
        struct.pack(">6xH16x2H", 1, _WIDTH, _HEIGHT)
        + struct.pack(">3IH", 0x480000, 0x480000, 0, 1)
        + bytes(32)
        + struct.pack(">Hh", 24, -1),
    )
    table = _box(
        b"stbl",
        _full_box(b"stsd", struct.pack(">I", 1) + picture)
        + _full_box(b"stts", struct.pack(">3I", 1, length, 1))
        + _full_box(b"stsc", struct.pack(">4I", 1, 1, length, 1))
        + _full_box(b"stsz", struct.pack(f">2I{length}I", 0, length, *sizes))
        + _full_box(b"stco", struct.pack(">2I", 1, first_sample)),
    )
    here = _box(
        b"dinf", _full_box(b"dref", struct.pack(">I", 1) + _full_box(b"url ", b"", flags=1))
    )
    media = _box(
        b"mdia",
        _full_box(b"mdhd", times + struct.pack(">2H", 0x55C4, 0))
        + _full_box(b"hdlr", struct.pack(">4x4s12x", b"vide") + b"picture\0")
        + _box(b"minf", _full_box(b"vmhd", bytes(8), flags=1) + here + table),
    )
    return _box(b"moov", head + _box(b"trak", track_head + media))


def sound_bytes(*, seed: str, name: str, size: int, made_at: datetime) -> Iterator[bytes]:
    """A broadcast wave file: ``RIFF``, ``fmt ``, ``bext``, ``data``; two channels, 24 bit, 48 kHz.

    Args:
        seed: With ``name``, what the samples come from.
        name: Name of the file; stands in the description too.
        size: Largest size of the file; it ends on a whole sample at or below it.
        made_at: When it was recorded; aware. The wave file names it in UTC.

    Yields:
        Pieces of the file in order.

    Layout: EBU Tech 3285 (``bext`` version 1, 602 bytes), from memory.
    """
    since_midnight = made_at.hour * 3600 + made_at.minute * 60 + made_at.second
    note = struct.pack(
        "<256s32s32s10s8sQH64x190x",
        f"Boatyard, take {name}".encode(),
        b"Recorder",
        f"BOATYARD{made_at:%Y%m%d%H%M%S}".encode(),
        f"{made_at:%Y-%m-%d}".encode(),
        f"{made_at:%H:%M:%S}".encode(),
        since_midnight * _SOUND_RATE,
        1,
    )
    shape = struct.pack(
        "<2H2I2H", 1, 2, _SOUND_RATE, _SOUND_RATE * _SOUND_FRAME_BYTES, _SOUND_FRAME_BYTES, 24
    )
    head = b"WAVE" + _chunk(b"bext", note) + _chunk(b"fmt ", shape)
    samples_bytes = (size - 8 - len(head) - 8) // _SOUND_FRAME_BYTES * _SOUND_FRAME_BYTES
    yield struct.pack("<4sI", b"RIFF", len(head) + 8 + samples_bytes) + head
    yield struct.pack("<4sI", b"data", samples_bytes)
    yield from noise(seed=seed, name=name, size=samples_bytes)


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack("<4sI", kind, len(body)) + body


def photo_bytes(*, seed: str, name: str, size: int) -> Iterator[bytes]:
    """A baseline JPEG: one grey picture of 64 by 64, the rest of its size in application segments.

    Args:
        seed: With ``name``, what the segments come from.
        name: Name of the file.
        size: Size of the whole file in bytes; at least 512.

    Yields:
        Pieces of the file in order.

    Layout: ITU-T T.81, from memory. Each table has the one code that a flat picture needs.
    """
    side = 64
    start = b"\xff\xd8" + _segment(0xE0, b"JFIF\0" + struct.pack(">HB2H2B", 0x0102, 0, 1, 1, 0, 0))
    one_code = bytes([1]) + bytes(15) + b"\0"
    picture = (
        _segment(0xDB, b"\0" + b"\x01" * 64)
        + _segment(0xC0, struct.pack(">B2H4B", 8, side, side, 1, 1, 0x11, 0))
        + _segment(0xC4, b"\x00" + one_code)
        + _segment(0xC4, b"\x10" + one_code)
        + _segment(0xDA, bytes([1, 1, 0, 0, 63, 0]))
        # 64 blocks of two one-bit codes each: no change, end of block.
        + bytes(16)
        + b"\xff\xd9"
    )
    yield start
    left = size - len(start) - len(picture)
    for piece in noise(seed=seed, name=name, size=max(0, left)):
        for begin in range(0, len(piece), 65_000):
            part = piece[begin : begin + 65_000]
            # The segment's own marker and length come out of the noise; bytes of FF may stand
            # before any marker.
            yield (
                _segment(0xEF, part[_SEGMENT_HEAD:])
                if len(part) >= _SEGMENT_HEAD
                else b"\xff" * len(part)
            )
    yield picture


def _segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">2BH", 0xFF, marker, 2 + len(body)) + body
