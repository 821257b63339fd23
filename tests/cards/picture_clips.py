"""Clips made on the spot whose pictures are known beforehand: plain colours, by the quarter.

Made by PyAV (FFmpeg), which knows nothing of ours. The left upper quarter is red, the right upper one
green, the left lower one blue, the right lower one white, so that a picture that was turned, mirrored
or squeezed shows it.
"""

import io
import struct
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
from av.video.frame import VideoFrame

RATE = 25
Colour = tuple[int, int, int]
RED, GREEN, BLUE, WHITE = (255, 0, 0), (0, 255, 0), (0, 0, 255), (255, 255, 255)
BLACK: Colour = (0, 0, 0)
GREY: Colour = (128, 128, 128)
QUARTERS = (RED, GREEN, BLUE, WHITE)


@dataclass(frozen=True, kw_only=True, slots=True)
class Shot:
    """How to make a clip. ``shows(n)``: the four colours of the n-th frame."""

    muxer: str = "mp4"
    codec: str = "libx264"
    width: int = 320
    height: int = 180
    frames: int = 100
    gop: int = 12
    aspect: Fraction | None = None
    pixels: str = "yuv420p"
    sound: bool = False
    shows: Callable[[int], tuple[Colour, Colour, Colour, Colour]] = lambda _: QUARTERS
    options: tuple[tuple[str, str], ...] = (("preset", "ultrafast"),)


class _Kept(io.BytesIO):
    """The muxer closes what it wrote to; we read it after that."""

    def close(self) -> None:
        """Stay open."""


def shot(recipe: Shot) -> bytes:
    """The bytes of a clip."""
    kept = _Kept()
    with av.open(kept, "w", format=recipe.muxer) as clip:
        options = dict(recipe.options) if recipe.codec == "libx264" else {}
        stream: Any = clip.add_stream(recipe.codec, rate=RATE, options=options)
        stream.width, stream.height, stream.pix_fmt = recipe.width, recipe.height, recipe.pixels
        stream.gop_size, stream.bit_rate = recipe.gop, 2_000_000
        stream.codec_context.max_b_frames = 0
        stream.codec_context.thread_count = 1
        if recipe.aspect is not None:
            stream.codec_context.sample_aspect_ratio = recipe.aspect
        sound: Any = None
        if recipe.sound:
            sound = clip.add_stream("pcm_s16le", rate=48_000, layout="stereo")
        for number in range(recipe.frames):
            frame = _frame(recipe, number)
            clip.mux(stream.encode(frame))
        clip.mux(stream.encode(None))
        if sound is not None:
            _silence(clip, sound, recipe.frames / RATE)
    return kept.getvalue()


def _silence(clip: Any, sound: Any, seconds: float) -> None:
    samples = int(48_000 * seconds)
    frame = av.AudioFrame(format="s16", layout="stereo", samples=samples)
    frame.planes[0].update(bytes(samples * 4))
    frame.sample_rate, frame.pts, frame.time_base = 48_000, 0, Fraction(1, 48_000)
    clip.mux(sound.encode(frame))
    clip.mux(sound.encode(None))


def _frame(recipe: Shot, number: int) -> VideoFrame:
    frame = VideoFrame(recipe.width, recipe.height, "rgb24")
    plane = frame.planes[0]
    half = recipe.width // 2
    one, two, three, four = (bytes(colour) for colour in recipe.shows(number))
    pad = bytes(plane.line_size - 3 * recipe.width)
    upper = one * half + two * (recipe.width - half) + pad
    lower = three * half + four * (recipe.width - half) + pad
    top = recipe.height // 2
    plane.update(upper * top + lower * (recipe.height - top))
    made = frame.reformat(format=recipe.pixels)
    made.pts, made.time_base = number, Fraction(1, RATE)
    return made


def turned(clip: bytes, quarters: int) -> bytes:
    """The same MP4, saying that it is to be shown turned clockwise by so many quarters.

    By the matrix in the track header (ISO/IEC 14496-12, section 8.3.2: a point ``(p, q)`` goes to
    ``(a*p + c*q, b*p + d*q)``, q growing downwards; fixed point, 16.16).
    """
    one = 1 << 16
    a, b, c, d = {1: (0, one, -one, 0), 2: (-one, 0, 0, -one), 3: (0, -one, one, 0)}[quarters]
    at = clip.index(b"tkhd") + 4
    at += 4 + 4 * 5 + 8 + 8  # version 0: flags, times, number, reserved, length; layer, volume
    assert clip[at : at + 4] == struct.pack(">i", one)
    matrix = struct.pack(">9i", a, b, 0, c, d, 0, 0, 0, 1 << 30)
    return clip[:at] + matrix + clip[at + 36 :]


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """A picture, decoded: its size, and the colour in the middle of each quarter."""

    width: int
    height: int
    quarters: tuple[Colour, Colour, Colour, Colour]


def seen(jpeg: bytes) -> Seen:
    """What a decoder makes of a JPEG."""
    with av.open(io.BytesIO(jpeg), "r", format="mjpeg") as opened:
        frame = next(opened.decode(video=0)).reformat(format="rgb24")
    plane = frame.planes[0]
    data, step = bytes(plane), plane.line_size

    def at(x: int, y: int) -> Colour:
        begin = y * step + 3 * x
        return data[begin], data[begin + 1], data[begin + 2]

    left, right = frame.width // 4, frame.width * 3 // 4
    top, bottom = frame.height // 4, frame.height * 3 // 4
    return Seen(
        width=frame.width,
        height=frame.height,
        quarters=(at(left, top), at(right, top), at(left, bottom), at(right, bottom)),
    )


def alike(one: Colour, other: Colour, slack: int = 40) -> bool:
    """Whether two colours are about the same: coding and shrinking change them a little."""
    return all(abs(a - b) <= slack for a, b in zip(one, other, strict=True))
