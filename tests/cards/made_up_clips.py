"""Small real clips, made on the spot, and what a decoder sees and hears of them.

Made and decoded by PyAV (FFmpeg), which knows nothing of ours; a clip is a wandering pattern and a
tone, so that no two pictures are alike.
"""

import io
import math
import os
import struct
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
from av.audio.frame import AudioFrame
from av.video.frame import VideoFrame

RATE = 25
SOUND_RATE = 48_000
A_PICTURE = SOUND_RATE // RATE
WIDTH, HEIGHT = 96, 64
SECONDS = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class Recipe:
    """How to make a clip."""

    ending: str
    muxer: str
    picture: str | None
    sound: str | None
    tracks: int = 1
    gop: int = 12
    b_pictures: int = 2
    muxer_options: tuple[tuple[str, str], ...] = ()
    picture_options: tuple[tuple[str, str], ...] = ()
    seconds: int = SECONDS


_FAST: tuple[tuple[str, str], ...] = (("preset", "veryfast"),)
MP4 = Recipe(ending=".MP4", muxer="mp4", picture="libx264", sound="aac", picture_options=_FAST)
OPEN_GOP = Recipe(
    ending=".MP4", muxer="mp4", picture="libx264", sound=None,
    picture_options=(*_FAST, ("x264-params", "open-gop=1:scenecut=0:bframes=3:b-pyramid=normal")),
)  # fmt: skip
FRAGMENTS = Recipe(
    ending=".mp4", muxer="mp4", picture="libx264", sound="aac", picture_options=_FAST,
    muxer_options=(("movflags", "frag_keyframe+empty_moov"),),
)  # fmt: skip
INDEX_FIRST = Recipe(
    ending=".m4v", muxer="mp4", picture="libx264", sound="aac", picture_options=_FAST,
    muxer_options=(("moov_size", "60000"),),
)  # fmt: skip
MOV = Recipe(ending=".mov", muxer="mov", picture="libx264", sound="pcm_s16le", tracks=2, picture_options=_FAST)  # fmt: skip
ALL_KEYS = Recipe(ending=".MOV", muxer="mov", picture="mjpeg", sound="pcm_s24le", b_pictures=0, gop=1)  # fmt: skip
MXF = Recipe(ending=".MXF", muxer="mxf", picture="mpeg2video", sound="pcm_s16le", tracks=2)
MXF_SOUND = Recipe(
    ending=".mxf", muxer="mxf_opatom", picture=None, sound="pcm_s16le",
    muxer_options=(("mxf_audio_edit_rate", "25"),),
)  # fmt: skip
AVI = Recipe(ending=".avi", muxer="avi", picture="mjpeg", sound="pcm_s16le", b_pictures=0, gop=1)
WAV = Recipe(ending=".WAV", muxer="wav", picture=None, sound="pcm_s24le")
BIG_WAV = Recipe(
    ending=".wav", muxer="wav", picture=None, sound="pcm_s24le", muxer_options=(("rf64", "always"),)
)

RECIPES = {
    "mp4": MP4, "open gop": OPEN_GOP, "fragments": FRAGMENTS, "index first": INDEX_FIRST, "mov": MOV,
    "all keys": ALL_KEYS, "mxf": MXF, "mxf sound": MXF_SOUND, "avi": AVI, "wav": WAV, "rf64": BIG_WAV,
}  # fmt: skip
_made: dict[Recipe, bytes] = {}


class _Kept(io.BytesIO):
    """The muxer closes what it wrote to; we read it after that."""

    def close(self) -> None:
        """Stay open."""


def made(recipe: Recipe) -> bytes:
    """The bytes of a clip; made once in a process."""
    if recipe not in _made:
        _made[recipe] = _make(recipe)
    return _made[recipe]


def _make(recipe: Recipe) -> bytes:
    kept = _Kept()
    with av.open(kept, "w", format=recipe.muxer, options=dict(recipe.muxer_options)) as clip:
        streams: list[tuple[Any, Callable[[int], Any]]] = []
        if recipe.picture is not None:
            pictures: Any = clip.add_stream(
                recipe.picture, rate=RATE, options=dict(recipe.picture_options)
            )
            pictures.width, pictures.height = WIDTH, HEIGHT
            pictures.pix_fmt = "yuvj420p" if recipe.picture == "mjpeg" else "yuv420p"
            pictures.gop_size, pictures.bit_rate = recipe.gop, 300_000
            pictures.codec_context.max_b_frames = recipe.b_pictures
            # One thread: the same bytes on every machine, and none left behind.
            pictures.codec_context.thread_count = 1
            streams.append((pictures, lambda at: _picture(at, pictures.pix_fmt)))
        for track in range(recipe.tracks if recipe.sound else 0):
            # Noise that a decoder makes up by itself (PNS) is never the same twice: none of it.
            silent = {"aac_pns": "0"} if recipe.sound == "aac" else {}
            sound: Any = clip.add_stream(str(recipe.sound), rate=SOUND_RATE, options=silent)
            sound.layout = "mono"
            streams.append((sound, _tones(str(recipe.sound), track)))
        for at in range(recipe.seconds * RATE):
            for stream, frame in streams:
                clip.mux(stream.encode(frame(at)))
        for stream, _ in streams:
            clip.mux(stream.encode(None))
    return kept.getvalue()


def _picture(at: int, pixels: str) -> VideoFrame:
    frame = VideoFrame(WIDTH, HEIGHT, pixels)
    for number, plane in enumerate(frame.planes):
        row = bytes(
            (x * 3 + at * 5 + number * 40 + (x * at) % 17) & 255 for x in range(plane.line_size)
        )
        lines = ((y * 2 + at) % plane.line_size for y in range(plane.height))
        plane.update(b"".join(row[turn:] + row[:turn] for turn in lines))
    frame.pts, frame.time_base = at, Fraction(1, RATE)
    return frame


def _tones(codec: str, track: int) -> Callable[[int], AudioFrame]:
    samples, pack = {
        "aac": ("fltp", "f"), "pcm_s16le": ("s16", "h"), "pcm_s24le": ("s32", "i"),
    }[codec]  # fmt: skip
    loud = {"f": 0.3, "h": 9000, "i": 9000 << 16}[pack]

    def tone(at: int) -> AudioFrame:
        frame = AudioFrame(format=samples, layout="mono", samples=A_PICTURE)
        wave = (
            loud * math.sin(n * n * 1e-7 * (track + 1))
            for n in range(at * A_PICTURE, (at + 1) * A_PICTURE)
        )
        values = list(wave) if pack == "f" else [int(one) for one in wave]
        frame.planes[0].update(struct.pack(f"<{A_PICTURE}{pack}", *values))
        frame.sample_rate, frame.pts, frame.time_base = (
            SOUND_RATE,
            at * A_PICTURE,
            Fraction(1, SOUND_RATE),
        )
        return frame

    return tone


@dataclass(frozen=True, kw_only=True, slots=True)
class Known:
    """A packet as the library tells of it."""

    stream: int
    kind: str
    pos: int
    size: int
    time: float
    lasts: float
    is_key: bool


def known(clip: bytes, recipe: Recipe) -> list[Known]:
    """Every packet of a clip, in the order of the file's streams."""
    with av.open(io.BytesIO(clip), "r") as opened:
        return [
            Known(
                stream=one.stream_index,
                kind=one.stream.type,
                pos=one.pos or 0,
                size=one.size,
                time=float((one.pts or 0) * one.time_base) - (opened.start_time or 0) / 1e6,
                lasts=float((one.duration or 0) * one.time_base),
                is_key=one.is_keyframe,
            )
            for one in opened.demux()
            if one.size
        ]


def hurt(clip: bytes, ranges: Iterable[tuple[int, int]]) -> bytes:
    """The clip with every byte in these ranges turned over."""
    broken = bytearray(clip)
    for begin, end in ranges:
        broken[begin:end] = bytes(one ^ 0xFF for one in broken[begin:end])
    return bytes(broken)


def seen(clip: bytes, stream: int = 0) -> dict[float, bytes]:
    """What a decoder makes of a picture stream: by time, all bytes of each picture."""
    found: dict[float, bytes] = {}
    with av.open(io.BytesIO(clip), "r") as opened:
        pictures: Any = opened.streams[stream]
        pictures.codec_context.thread_count = 1
        zero = (opened.start_time or 0) / 1e6
        for packet in opened.demux(pictures):
            try:
                frames = packet.decode()
            except av.FFmpegError:
                continue
            for frame in frames:
                if frame.time is not None:
                    found[round(frame.time - zero, 4)] = b"".join(
                        bytes(one) for one in frame.planes
                    )
    return found


def heard(clip: bytes, stream: int) -> dict[int, bytes]:
    """What a decoder makes of a sound stream: each sample's bytes by its number."""
    found: dict[int, bytes] = {}
    with av.open(io.BytesIO(clip), "r") as opened:
        sound: Any = opened.streams[stream]
        for packet in opened.demux(sound):
            try:
                frames = packet.decode()
            except av.FFmpegError:
                continue
            for frame in frames:
                first = round(frame.time * SOUND_RATE)
                plane = bytes(frame.planes[0])
                wide = frame.format.bytes
                for n in range(frame.samples):
                    found[first + n] = plane[n * wide : (n + 1) * wide]
    return found


def on_disk(folder: str, clip: bytes, name: str) -> Callable[[], io.BufferedReader]:
    """Write a clip to a file; returns what opens it."""
    path = os.path.join(folder, name)
    with open(path, "wb") as file:
        file.write(clip)
    return lambda: open(path, "rb")
