"""Posters as values: words, sizes, and what is believed of a text that calls itself one."""

import base64
import json
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.posters import (
    HEIGHT,
    MOST_JPEG_BYTES,
    NEARLY_BLACK,
    NOTES,
    SOUND_ONLY,
    WIDTH,
    Poster,
    coding_name,
    decode_poster,
    encode_poster,
    is_nearly_black,
    small_size,
    sound_words,
)

NAME = "ab" * 32
JPEG = b"\xff\xd8\xff\xe0 a small picture \xff\xd9"
WHOLE = Poster(
    content=NAME,
    jpeg=JPEG,
    width=3840,
    height=2160,
    seconds=12.5,
    frames_per_second=23.976,
    coding="H.264",
    sound="2 channels, 48 kHz",
)

numbers = st.none() | st.floats(0, 1e4, allow_nan=False)
pixels = st.none() | st.integers(1, 65_536)
words = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60)
any_poster = st.builds(
    Poster,
    content=st.just(NAME),
    jpeg=st.none() | st.binary(max_size=100).map(lambda data: b"\xff\xd8\xff" + data + b"\xff\xd9"),
    width=pixels,
    height=pixels,
    seconds=numbers,
    frames_per_second=numbers,
    coding=words,
    sound=words,
    note=st.sampled_from(sorted(NOTES)),
)


@given(poster=any_poster)
def test_what_is_encoded_is_decoded(poster: Poster) -> None:
    text = encode_poster(poster)
    assert decode_poster(text, NAME) == poster
    assert text.isascii()
    assert decode_poster(text, "cd" * 32) is None


@given(text=st.binary(max_size=300))
def test_any_bytes_are_a_poster_or_none(text: bytes) -> None:
    assert decode_poster(text, NAME) is None


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("jpeg", 7),
        ("jpeg", "no Base64"),
        ("jpeg", base64.b64encode(b"<svg>").decode()),
        ("jpeg", base64.b64encode(b"\xff\xd8\xff cut off").decode()),
        ("jpeg", base64.b64encode(b"\xff\xd8\xff" + bytes(MOST_JPEG_BYTES) + b"\xff\xd9").decode()),
        ("width", 0),
        ("width", -5),
        ("width", 1 << 17),
        ("height", 1.5),
        ("height", True),
        ("height", "1080"),
        ("seconds", -1),
        ("seconds", 1e300),
        ("seconds", True),
        ("seconds", "12"),
        ("frames_per_second", 1e9),
        ("coding", None),
        ("coding", "x" * 61),
        ("coding", "\x1b[2J"),
        ("sound", "f\u00fcnf"),
        ("note", "may be wiped"),
        ("note", None),
        ("note", ["x"]),
        ("content", 7),
    ],
)
def test_a_poster_that_holds_anything_odd_is_none(field: str, value: object) -> None:
    told: dict[str, Any] = json.loads(encode_poster(WHOLE))
    assert decode_poster(json.dumps(told).encode(), NAME) == WHOLE
    assert decode_poster(json.dumps(told | {field: value}).encode(), NAME) is None


@pytest.mark.parametrize("field", sorted(json.loads(encode_poster(WHOLE)).keys() - {"version"}))
def test_a_poster_that_lacks_anything_is_none(field: str) -> None:
    told = json.loads(encode_poster(WHOLE))
    del told[field]
    assert decode_poster(json.dumps(told).encode(), NAME) is None


@pytest.mark.parametrize("number", ["NaN", "Infinity", "1e999"])
def test_a_number_that_is_none_makes_no_poster(number: str) -> None:
    text = encode_poster(WHOLE).replace(b"12.5", number.encode())
    assert decode_poster(text, NAME) is None


def test_a_list_or_a_depth_without_end_is_none() -> None:
    assert decode_poster(b"[1]", NAME) is None
    assert decode_poster(b"[" * 200_000, NAME) is None


@pytest.mark.parametrize(
    ("codec", "told"),
    [
        ("h264", "H.264"),
        ("prores", "ProRes"),
        ("pcm_s24le", "PCM 24 bit"),
        ("pcm_f32le", "PCM 32 bit"),
        ("pcm_alaw", "PCM"),
        ("something_new", "something_new"),
        ("", ""),
    ],
)
def test_codings_are_named_as_people_do(codec: str, told: str) -> None:
    assert coding_name(codec) == told


@pytest.mark.parametrize(
    ("tracks", "channels", "rate", "told"),
    [
        (0, 0, 0, ""),
        (1, 0, 48_000, ""),
        (1, 1, 48_000, "1 channel, 48 kHz"),
        (1, 2, 44_100, "2 channels, 44.1 kHz"),
        (4, 4, 96_000, "4 channels, 96 kHz"),
        (1, 2, 0, "2 channels"),
    ],
)
def test_sound_is_told_plainly(tracks: int, channels: int, rate: int, told: str) -> None:
    assert sound_words(tracks, channels, rate) == told


@pytest.mark.parametrize(
    ("width", "height", "small"),
    [
        (1920, 1080, (240, 136)),
        (1080, 1920, (136, 240)),
        (4096, 2160, (240, 126)),
        (96, 64, (96, 64)),
        (1, 1, (2, 2)),
        (100_000, 10, (240, 2)),
    ],
)
def test_the_small_picture_fits(width: float, height: float, small: tuple[int, int]) -> None:
    assert small_size(width, height) == small


@given(width=st.floats(1, 1e6), height=st.floats(1, 1e6))
def test_the_small_picture_always_fits_and_is_even(width: float, height: float) -> None:
    small = small_size(width, height)
    assert 2 <= small[0] <= WIDTH
    assert 2 <= small[1] <= HEIGHT
    assert not small[0] % 2
    assert not small[1] % 2


def test_only_what_is_nearly_black_is_passed_over() -> None:
    assert is_nearly_black(0)
    assert is_nearly_black(NEARLY_BLACK - 1)
    assert not is_nearly_black(NEARLY_BLACK)


def test_sound_alone_is_no_failure() -> None:
    assert SOUND_ONLY in NOTES
