"""The demo's files have real structure: read here by hand-written readers and by a real tool.

Sources: box layout, ISO base media as in STANDARDS section 8.2; names, section 8.1; ``bext`` and
JPEG markers from memory (EBU Tech 3285, ITU-T T.81).
"""

import os
import re
import struct
import wave
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.demo.cards import CARDS, record_further, size_of_cards, write_cards
from backupkeeper.demo.media import MIB, clip_bytes, noise, photo_bytes, sound_bytes

WHEN = datetime(2026, 6, 12, 9, 30, 15, tzinfo=UTC)


def boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """(type, body) of each box, by the rules of STANDARDS section 8.2."""
    at = 0
    while at < len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        head = 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, at + 8)
            head = 16
        assert size >= head
        assert at + size <= len(data), f"box {kind!r} ends beyond the file"
        yield kind, data[at + head : at + size]
        at += size


@given(size=st.integers(256 * 1024, 3 * MIB))
@settings(max_examples=25, deadline=None)
def test_a_clip_is_boxes_that_sum_to_its_size_with_the_index_last(size: int) -> None:
    data = b"".join(clip_bytes(seed="Wide", name="BOAT0001.MP4", size=size, made_at=WHEN))
    assert len(data) == size
    parts = dict(boxes(data))
    assert list(parts) == [b"ftyp", b"mdat", b"moov"]
    inside = dict(boxes(parts[b"moov"]))
    created, _, scale, length = struct.unpack_from(">4I", inside[b"mvhd"], 4)
    # 1904-01-01 to 1970-01-01 is 2,082,844,800 s: common knowledge.
    assert created == int(WHEN.timestamp()) + 2_082_844_800
    assert scale == 25
    assert length >= 1


def test_the_index_of_a_clip_points_at_all_of_its_samples() -> None:
    data = b"".join(clip_bytes(seed="Wide", name="a", size=MIB, made_at=WHEN))
    parts = dict(boxes(data))
    media = dict(boxes(dict(boxes(dict(boxes(parts[b"moov"]))[b"trak"]))[b"mdia"]))
    table = dict(boxes(dict(boxes(media[b"minf"]))[b"stbl"]))
    _, fixed, count = struct.unpack_from(">3I", table[b"stsz"])
    sizes = struct.unpack_from(f">{count}I", table[b"stsz"], 12)
    _, chunks, first = struct.unpack_from(">3I", table[b"stco"])
    assert (fixed, chunks) == (0, 1)
    assert sum(sizes) == len(parts[b"mdat"])
    assert data[first : first + len(parts[b"mdat"])] == parts[b"mdat"]


def test_sound_is_read_by_the_standard_library_and_says_when_it_was_made(tmp_path: Path) -> None:
    path = tmp_path / "T001.WAV"
    path.write_bytes(b"".join(sound_bytes(seed="Recorder", name="T001", size=MIB, made_at=WHEN)))
    with wave.open(str(path), "rb") as sound:
        assert (sound.getnchannels(), sound.getsampwidth(), sound.getframerate()) == (2, 3, 48_000)
        frames = sound.getnframes()
        assert len(sound.readframes(frames)) == frames * 6
    data = path.read_bytes()
    assert struct.unpack_from("<I", data, 4)[0] == len(data) - 8
    assert MIB - 6 < len(data) <= MIB
    at = data.index(b"bext")
    (length,) = struct.unpack_from("<I", data, at + 4)
    assert length == 602
    assert data[at + 8 + 320 : at + 8 + 338] == b"2026-06-1209:30:15"
    (samples,) = struct.unpack_from("<Q", data, at + 8 + 338)
    assert samples == (9 * 3600 + 30 * 60 + 15) * 48_000


@given(size=st.integers(512, 200_000))
@settings(max_examples=50, deadline=None)
def test_a_photograph_is_segments_up_to_the_picture(size: int) -> None:
    data = b"".join(photo_bytes(seed="Drone", name="FLYR0003.JPG", size=size))
    assert len(data) == size
    assert data[:2] == b"\xff\xd8"
    assert data[-2:] == b"\xff\xd9"
    at, seen = 2, []
    while True:
        while data[at + 1] == 0xFF:
            at += 1
        marker, length = struct.unpack_from(">xBH", data, at)
        seen.append(marker)
        if marker == 0xDA:
            break
        at += 2 + length
    assert seen[0] == 0xE0
    assert seen[-5:] == [0xDB, 0xC0, 0xC4, 0xC4, 0xDA]


@given(size=st.integers(0, 3 * MIB), name=st.text(max_size=8))
@settings(max_examples=25, deadline=None)
def test_noise_has_the_wanted_size_and_is_the_same_every_time(size: int, name: str) -> None:
    first = list(noise(seed="Wide", name=name, size=size))
    assert sum(len(piece) for piece in first) == size
    assert first == list(noise(seed="Wide", name=name, size=size))
    assert len(set(first)) == len(first), "two pieces are alike"


def test_two_names_make_two_noises() -> None:
    assert next(noise(seed="Wide", name="a", size=64)) != next(
        noise(seed="Wide", name="b", size=64)
    )


@pytest.mark.slow
def test_the_cards_hold_what_cards_of_their_kind_hold(tmp_path: Path) -> None:
    write_cards(str(tmp_path))
    assert sorted(os.listdir(tmp_path)) == ["Drone", "Recorder", "Wide"]
    for source in ("Wide", "Drone"):
        for folder in (tmp_path / source / "DCIM").iterdir():
            assert re.fullmatch(r"[1-9][0-9]{2}[0-9A-Z_]{5}", folder.name)
            for file in folder.iterdir():
                assert re.fullmatch(r"[0-9A-Z_]{4}(?!0000)[0-9]{4}\.[0-9A-Z]{3}", file.name)
    assert os.listdir(tmp_path / "Wide" / "MISC") == []
    assert (tmp_path / "Wide" / ".Trashes" / "501" / "BOAT0009.MP4").exists()
    clip = tmp_path / "Wide" / "DCIM" / "100BOATY" / "BOAT0001.MP4"
    assert clip.stat().st_mtime == datetime(2026, 6, 12, 7, 12, tzinfo=UTC).timestamp()
    before = set(tmp_path.rglob("*"))
    record_further(str(tmp_path), "Wide")
    added = sorted(path.name for path in set(tmp_path.rglob("*")) - before)
    assert added == ["BOAT0004.MP4", "BOAT0004.XML"]


def test_the_cards_hold_a_few_hundred_megabytes() -> None:
    assert set(CARDS) == {"Wide", "Drone", "Recorder"}
    assert 300e6 < size_of_cards() < 400e6
