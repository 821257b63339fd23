"""Posters of real clips whose pictures are known: which moment, which way up, how large, what is told."""

import io
import random
from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from backupkeeper.cards import picturing
from backupkeeper.cards.picturing import kind_of, poster_in
from backupkeeper.core.posters import (
    MOST_JPEG_BYTES,
    NOT_DECODED,
    NOT_UNDERSTOOD,
    SOUND_ONLY,
    TOO_LARGE,
    Poster,
    decode_poster,
    encode_poster,
)
from tests.cards.made_up_clips import RECIPES, SECONDS, made
from tests.cards.picture_clips import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    QUARTERS,
    RED,
    WHITE,
    Colour,
    Seen,
    Shot,
    alike,
    seen,
    shot,
    turned,
)

NAME = "ab" * 32


def poster(clip: bytes, name: str = "WIDE0007.MP4", *, spent: float = 0.0) -> Poster:
    """The poster of a clip, made here. ``spent``: seconds that each look at the stopwatch costs."""
    kind = kind_of(name)
    assert kind is not None
    now = iter(range(10**9))
    return poster_in(lambda: io.BytesIO(clip), kind, NAME, seconds=lambda: next(now) * spent)


def picture(told: Poster) -> Seen:
    """What is to be seen on it."""
    assert told.jpeg is not None, told.note
    assert told.note == ""
    return seen(told.jpeg)


def shows(found: Seen, *quarters: Colour) -> bool:
    """Whether these are the colours, from the left upper quarter on."""
    return all(alike(one, other) for one, other in zip(found.quarters, quarters, strict=True))


@pytest.mark.parametrize(
    ("muxer", "codec", "name", "coding"),
    [
        ("mp4", "libx264", "WIDE0007.MP4", "H.264"),
        ("mov", "libx264", "WIDE0007.MOV", "H.264"),
        ("mov", "mjpeg", "WIDE0007.mov", "Motion JPEG"),
        ("mxf", "mpeg2video", "WIDE0007.MXF", "MPEG-2"),
        ("avi", "mpeg4", "WIDE0007.AVI", "MPEG-4"),
        ("mpegts", "libx264", "00001.MTS", "H.264"),
        ("matroska", "libx264", "WIDE0007.mkv", "H.264"),
    ],
)
def test_a_clip_shows_its_picture_and_tells_its_length(
    muxer: str, codec: str, name: str, coding: str
) -> None:
    pixels = "yuvj420p" if codec == "mjpeg" else "yuv420p"
    told = poster(shot(Shot(muxer=muxer, codec=codec, pixels=pixels)), name)
    found = picture(told)
    assert shows(found, *QUARTERS)
    # An even height: 240 by 135 is no picture that halves its colours.
    assert (found.width, found.height) == (240, 136)
    assert (told.width, told.height, told.coding) == (320, 180, coding)
    assert told.seconds == pytest.approx(4.0, abs=0.05)
    assert told.frames_per_second == pytest.approx(25.0)
    assert told.sound == ""
    assert told.jpeg is not None
    assert len(told.jpeg) <= picturing.SMALL_BYTES


@pytest.mark.parametrize("called", sorted(RECIPES))
def test_every_recipe_is_told_with_its_sound(called: str) -> None:
    recipe = RECIPES[called]
    told = poster(made(recipe), f"WIDE0007{recipe.ending}")
    assert told.seconds == pytest.approx(SECONDS, abs=0.1)
    channels = recipe.tracks if recipe.sound else 0
    assert told.sound == ("", "1 channel, 48 kHz", "2 channels, 48 kHz")[channels]
    if recipe.picture is None:
        assert (told.jpeg, told.note, told.width) == (None, SOUND_ONLY, None)
        assert told.coding == ("PCM 16 bit" if recipe.muxer == "mxf_opatom" else "PCM 24 bit")
    else:
        assert (told.width, told.height) == (96, 64)
        assert (picture(told).width, picture(told).height) == (96, 64)  # never made larger


@pytest.mark.parametrize(
    ("quarters", "size", "colours"),
    [
        (1, (180, 320), (BLUE, RED, WHITE, GREEN)),
        (2, (320, 180), (WHITE, BLUE, GREEN, RED)),
        (3, (180, 320), (GREEN, WHITE, RED, BLUE)),
    ],
)
def test_a_clip_that_was_taken_turned_is_shown_upright(
    quarters: int, size: tuple[int, int], colours: tuple[Colour, ...]
) -> None:
    told = poster(turned(shot(Shot()), quarters))
    found = picture(told)
    assert shows(found, *colours)
    assert (told.width, told.height) == size
    assert (found.width, found.height) == ((240, 136) if size == (320, 180) else (136, 240))


def test_pixels_that_are_not_square_are_shown_as_wide_as_they_are() -> None:
    told = poster(shot(Shot(width=240, height=180, aspect=Fraction(4, 3))))
    assert (told.width, told.height) == (240, 180)  # as it was recorded
    assert (picture(told).width, picture(told).height) == (240, 136)  # as it is seen: 16:9


def test_an_upright_clip_with_pixels_that_are_not_square() -> None:
    told = poster(turned(shot(Shot(width=240, height=180, aspect=Fraction(4, 3))), 1))
    assert (told.width, told.height) == (180, 240)
    assert (picture(told).width, picture(told).height) == (136, 240)


def test_pixels_that_call_themselves_absurdly_wide_count_as_square() -> None:
    told = poster(shot(Shot(aspect=Fraction(200, 1))))
    assert (picture(told).width, picture(told).height) == (240, 136)


def test_the_picture_is_the_key_frame_at_or_before_a_tenth() -> None:
    colours = {0: RED, 1: GREEN, 2: BLUE, 3: WHITE}  # a key frame each 25 frames, 200 frames

    def by_second(number: int) -> tuple[Colour, Colour, Colour, Colour]:
        colour = colours.get(number // 25, GREY)
        return colour, colour, colour, colour

    # A tenth of 8 s is 0.8 s; of 16 s 1.6 s, and the key frame before that stands at 1 s.
    assert shows(picture(poster(shot(Shot(frames=200, gop=25, shows=by_second)))), *[RED] * 4)
    assert shows(picture(poster(shot(Shot(frames=400, gop=25, shows=by_second)))), *[GREEN] * 4)


def test_a_clip_with_a_black_beginning_shows_what_comes_later() -> None:
    def dark_at_first(number: int) -> tuple[Colour, Colour, Colour, Colour]:
        return QUARTERS if number >= 25 else (BLACK, BLACK, BLACK, BLACK)

    assert shows(picture(poster(shot(Shot(shows=dark_at_first)))), *QUARTERS)


def test_a_clip_with_one_key_frame_only_and_that_black_is_looked_through() -> None:
    def dark_at_first(number: int) -> tuple[Colour, Colour, Colour, Colour]:
        return QUARTERS if number >= 60 else (BLACK, BLACK, BLACK, BLACK)

    found = picture(poster(shot(Shot(gop=1000, shows=dark_at_first))))
    assert shows(found, *QUARTERS)


def test_of_a_clip_that_is_dark_all_through_the_brightest_is_shown() -> None:
    dim = (20, 20, 20)

    def hardly(number: int) -> tuple[Colour, Colour, Colour, Colour]:
        colour = dim if number == 72 else BLACK
        return colour, colour, colour, colour

    found = picture(poster(shot(Shot(shows=hardly))))
    assert all(alike(one, dim, 10) for one in found.quarters)
    assert not any(alike(one, BLACK, 6) for one in found.quarters)


def test_one_frame_is_enough() -> None:
    told = poster(shot(Shot(frames=1)))
    assert shows(picture(told), *QUARTERS)
    assert told.seconds == pytest.approx(0.04, abs=0.001)


def test_sound_beside_a_picture_is_told() -> None:
    told = poster(shot(Shot(muxer="mov", sound=True)), "WIDE0007.MOV")
    assert told.sound == "2 channels, 48 kHz"
    assert shows(picture(told), *QUARTERS)


@pytest.mark.parametrize(("muxer", "name"), [("mp4", "WIDE0007.MP4"), ("mov", "WIDE0007.MOV")])
def test_a_clip_cut_in_half_without_its_index_is_said_so(muxer: str, name: str) -> None:
    clip = shot(Shot(muxer=muxer))
    assert poster(clip[: len(clip) // 2], name) == Poster(content=NAME, note=NOT_UNDERSTOOD)


def test_half_an_mxf_still_shows_its_picture() -> None:
    clip = shot(Shot(muxer="mxf", codec="mpeg2video", frames=200))
    told = poster(clip[: len(clip) // 2], "WIDE0007.MXF")
    assert shows(picture(told), *QUARTERS)


@pytest.mark.parametrize("name", ["NOTES.MP4", "NOTES.WAV", "NOTES.MXF", "NOTES.MTS", "NOTES.MP3"])
@pytest.mark.parametrize(
    "text", [b"", b"Ready at six, by the slipway.\n" * 3000, b"ffconcat version 1.0\nfile a.mp4\n"]
)
def test_a_text_that_calls_itself_a_clip_is_said_so(name: str, text: bytes) -> None:
    told = poster(text, name)
    assert told.jpeg is None
    assert told.note in {NOT_UNDERSTOOD, SOUND_ONLY}
    assert told.width is None


def test_a_picture_that_says_it_is_enormous_is_not_decoded() -> None:
    # By its container (ISO/IEC 14496-12, section 12.1.3), then by its frames (ITU-T T.81, B.2.2).
    clip = shot(Shot(muxer="mov", codec="mjpeg", pixels="yuvj420p", frames=3))
    at = clip.index(b"jpeg", clip.index(b"stsd")) + 4 + 8 + 16
    huge = clip[:at] + b"\xff\xff\xff\xff" + clip[at + 4 :]
    told = poster(huge, "WIDE0007.MOV")
    assert shows(picture(told), *QUARTERS)  # the frames know better
    frames = huge.replace(
        b"\xff\xc0\x00\x11\x08\x00\xb4\x01\x40", b"\xff\xc0\x00\x11\x08\xff\xdc\xff\xdc"
    )
    assert frames != huge
    told = poster(frames, "WIDE0007.MOV")
    assert told.jpeg is None
    assert told.note


def test_a_size_above_the_bound_is_not_decoded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(picturing, "MOST_PIXELS", 320 * 180 - 1)
    told = poster(shot(Shot()))
    assert (told.jpeg, told.note, told.coding) == (None, TOO_LARGE, "H.264")
    assert told.seconds == pytest.approx(4.0)


def test_a_clip_that_takes_too_long_shows_the_best_so_far() -> None:
    def dark(number: int) -> tuple[Colour, Colour, Colour, Colour]:
        return (20, 20, 20), BLACK, BLACK, BLACK

    clip = shot(Shot(gop=1000, frames=300, shows=dark))
    told = poster(clip, spent=picturing.MOST_SECONDS / 10)
    assert told.jpeg is not None
    never = poster(clip, spent=picturing.MOST_SECONDS * 2)
    assert (never.jpeg, never.note) == (None, NOT_DECODED)


def test_no_more_frames_than_the_bound_are_looked_through(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def late(number: int) -> tuple[Colour, Colour, Colour, Colour]:
        return QUARTERS if number >= 60 else (BLACK, BLACK, BLACK, BLACK)

    monkeypatch.setattr(picturing, "MOST_FRAMES", 30)
    found = picture(poster(shot(Shot(gop=1000, shows=late))))
    assert all(alike(one, BLACK, 10) for one in found.quarters)


def test_broken_frames_are_passed_over() -> None:
    clip = bytearray(shot(Shot(muxer="avi", codec="mjpeg", pixels="yuvj420p", frames=50)))
    at = clip.index(b"00dc") + 8
    for _ in range(10):  # the first frames: no JPEG any more
        size = int.from_bytes(clip[at - 4 : at], "little")
        clip[at : at + size] = bytes(size)
        at = clip.index(b"00dc", at) + 8
    assert shows(picture(poster(bytes(clip), "WIDE0007.AVI")), *QUARTERS)


def test_a_busy_picture_is_made_small_enough() -> None:
    recipe = Shot(muxer="mov", codec="rawvideo", pixels="rgb24", width=480, height=480, frames=1)
    clip = bytearray(shot(recipe))
    at = clip.index(b"mdat") + 4
    clip[at : at + 480 * 480 * 3] = random.Random(7).randbytes(480 * 480 * 3)
    told = poster(bytes(clip), "WIDE0007.MOV")
    assert told.jpeg is not None
    assert len(told.jpeg) <= picturing.SMALL_BYTES < MOST_JPEG_BYTES


def test_two_machines_make_the_same_poster() -> None:
    clip = shot(Shot())
    assert encode_poster(poster(clip)) == encode_poster(poster(clip))
    told = poster(clip).jpeg
    assert told is not None
    assert b"Lavc" not in told  # no version of a library in it


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("WIDE0007.MP4", "mov"),
        ("A.b.mXf", "mxf"),
        ("00001.MTS", "mpegts"),
        ("NOTES", None),
        ("DSC_0001.JPG", None),
        ("mp4", None),
        (".mp4x", None),
    ],
)
def test_the_kind_goes_by_the_ending(name: str, kind: str | None) -> None:
    assert kind_of(name) == kind


@pytest.mark.slow
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(
    called=st.sampled_from(sorted(RECIPES)),
    edits=st.lists(st.tuples(st.floats(0, 0.999), st.binary(min_size=1, max_size=64)), max_size=6),
    head=st.lists(st.tuples(st.integers(0, 400), st.binary(min_size=1, max_size=8)), max_size=4),
    kept=st.floats(0.01, 1),
)
def test_every_broken_clip_is_a_poster_that_can_be_kept(
    called: str, edits: list[tuple[float, bytes]], head: list[tuple[int, bytes]], kept: float
) -> None:
    recipe = RECIPES[called]
    clip = bytearray(made(recipe))
    for at, what in [(int(part * len(clip)), what) for part, what in edits] + head:
        clip[at : at + len(what)] = what
    told = poster(bytes(clip[: int(len(clip) * kept)]), f"WIDE0007{recipe.ending}")
    assert decode_poster(encode_poster(told), NAME) == told
    assert (told.jpeg is None) is bool(told.note)
