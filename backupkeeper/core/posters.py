"""A poster: one small picture of a clip and its length, so that a person knows a card again.

It is for looking at only: no state, gap or verdict goes by it.

Promises:
1. Nothing that a clip's reader says is believed: what is no poster by its form is none.
2. A clip that could not be understood has a poster too, which says so: it is not tried again.
3. Which moment is shown follows from the clip alone, so two machines show the same.
"""

import base64
import binascii
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from types import MappingProxyType
from typing import Final

WIDTH: Final = 240
"""Of the small picture at most, in pixels."""
HEIGHT: Final = 240
"""The same for one that stands upright."""
MOST_JPEG_BYTES: Final = 32_768
MOMENTS: Final = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Where in a clip a picture is looked for, in this order: parts of its length."""
NEARLY_BLACK: Final = 24.0
"""Mean brightness (0 to 255) below which the next moment is tried."""

NOT_UNDERSTOOD: Final = "it could not be read"
ENDED: Final = "it could not be read: what is in it ended the reader"
NO_PICTURE: Final = "it holds no picture"
NOT_DECODED: Final = "its picture could not be decoded"
TOO_LARGE: Final = "its picture is too large"
SOUND_ONLY: Final = "sound only"
NOTES: Final = frozenset(
    {"", NOT_UNDERSTOOD, ENDED, NO_PICTURE, NOT_DECODED, TOO_LARGE, SOUND_ONLY}
)

_MOST_PIXELS: Final = 1 << 16
LONGEST_SECONDS: Final = 1e7
MOST_FRAMES_PER_SECOND: Final = 1e4
_MOST_TEXT: Final = 60
_JPEG_BEGINS: Final = b"\xff\xd8\xff"
_JPEG_ENDS: Final = b"\xff\xd9"
_VERSION: Final = 1

TRADE_NAMES: Final = MappingProxyType(
    {
        "h264": "H.264",
        "hevc": "H.265",
        "vvc": "H.266",
        "av1": "AV1",
        "prores": "ProRes",
        "prores_raw": "ProRes RAW",
        "dnxhd": "DNx",
        "mpeg1video": "MPEG-1",
        "mpeg2video": "MPEG-2",
        "mpeg4": "MPEG-4",
        "mjpeg": "Motion JPEG",
        "jpeg2000": "JPEG 2000",
        "dvvideo": "DV",
        "rawvideo": "uncompressed",
        "v210": "uncompressed 10 bit",
        "cfhd": "VC-5",
        "vc1": "VC-1",
        "vp9": "VP9",
        "aac": "AAC",
        "ac3": "AC-3",
        "mp2": "MPEG layer 2",
        "mp3": "MP3",
        "flac": "FLAC",
        "alac": "ALAC",
        "opus": "Opus",
    }
)
"""What the library calls a coding, and what people on a set call it (common practice, no source)."""
_CHANNELS: Final = MappingProxyType({1: "1 channel"})


@dataclass(frozen=True, kw_only=True, slots=True)
class Poster:
    """What a clip looks like, as far as it could be understood.

    Args:
        content: BLAKE3 of the clip in hexadecimal digits: the same clip on several drives has one
            poster.
        jpeg: a small picture (JPEG), upright; None where there is none.
        width: of the clip's picture as it was recorded, upright, in pixels; None: no picture.
        height: as ``width``.
        seconds: length; None: not known.
        frames_per_second: of the picture; None: no picture, or not known.
        coding: how the picture (or, without one, the sound) was recorded, in the trade's words, such
            as ``H.264``; '' where not known.
        sound: in plain words, such as ``2 channels, 48 kHz``; '' where there is none.
        note: '' or, in a few words, why there is no picture.
    """

    content: str
    jpeg: bytes | None = None
    width: int | None = None
    height: int | None = None
    seconds: float | None = None
    frames_per_second: float | None = None
    coding: str = ""
    sound: str = ""
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PostersOutcome:
    """What came of making posters.

    Args:
        made: clips that have one now and had none.
        known: clips that had one before.
        bare: of those that were made, the ones without a picture: path on a drive, and why.
            Recordings of sound are none of these.
        missing: clips that still have none.
        put_off: how many of these only because their drives were used by somebody else.
        waiting: sentences: why that is.
        read_bytes: how much was read of the copies.
        seconds: how long it took.
    """

    made: int = 0
    known: int = 0
    bare: tuple[tuple[str, str], ...] = ()
    missing: int = 0
    put_off: int = 0
    waiting: tuple[str, ...] = ()
    read_bytes: int = 0
    seconds: float = 0.0


def coding_name(codec: str) -> str:
    """What people call a coding, by the library's name; one that is not known keeps its name.

    Sound as it comes from the converter is told with its bits (``PCM 24 bit``).
    """
    if codec.startswith("pcm_"):
        bits = "".join(one for one in codec if one.isdecimal())
        return f"PCM {bits} bit" if bits else "PCM"
    return TRADE_NAMES.get(codec, codec)


def sound_words(tracks: int, channels: int, rate: int) -> str:
    """Sound in plain words; '' where there is none.

    Args:
        tracks: how many streams of sound there are.
        channels: in all of them together.
        rate: samples a second of the first one.
    """
    if not tracks or channels <= 0:
        return ""
    told = _CHANNELS.get(channels, f"{channels} channels")
    return f"{told}, {rate / 1000:g} kHz" if rate > 0 else told


def small_size(width: float, height: float) -> tuple[int, int]:
    """Width and height of the small picture, in pixels: both even, the shape of the clip's kept.

    Args:
        width: of the clip's picture as it is shown: upright, with square pixels.
        height: the same.
    """
    part = min(WIDTH / width, HEIGHT / height, 1.0)
    return _even(width * part), _even(height * part)


def _even(pixels: float) -> int:
    return max(2, round(pixels / 2) * 2)


def is_nearly_black(brightness: float) -> bool:
    """Whether another moment of the clip should be tried."""
    return brightness < NEARLY_BLACK


def encode_poster(poster: Poster) -> bytes:
    """A poster as JSON, the picture in it as Base64."""
    picture = None if poster.jpeg is None else base64.b64encode(poster.jpeg).decode("ascii")
    told = {"version": _VERSION, **asdict(poster), "jpeg": picture}
    return json.dumps(told, ensure_ascii=True, sort_keys=True).encode("ascii") + b"\n"


def decode_poster(text: bytes, content: str) -> Poster | None:
    """The poster of a content; None where the text is no poster, or another content's.

    Args:
        text: from ``encode_poster``, or of whatever stands in its place.
        content: whose poster it should be.
    """
    try:
        told = json.loads(text, parse_constant=_refused)
        if not isinstance(told, dict) or told.get("content") != content:
            return None
        return _checked(told, content)
    except (ValueError, TypeError, KeyError, RecursionError, OverflowError):
        return None


def _checked(told: Mapping[str, object], content: str) -> Poster:
    picture = told["jpeg"]
    width, height = _pixels(told["width"]), _pixels(told["height"])
    return Poster(
        content=content,
        jpeg=None if picture is None else _jpeg(picture),
        width=width,
        height=height,
        seconds=_number(told["seconds"], LONGEST_SECONDS),
        frames_per_second=_number(told["frames_per_second"], MOST_FRAMES_PER_SECOND),
        coding=_text(told["coding"]),
        sound=_text(told["sound"]),
        note=_note(told["note"]),
    )


def _jpeg(value: object) -> bytes:
    if not isinstance(value, str):
        raise TypeError("no picture")
    try:
        data = base64.b64decode(value, validate=True)
    except binascii.Error as error:
        raise ValueError("no picture") from error
    is_one = data.startswith(_JPEG_BEGINS) and data.endswith(_JPEG_ENDS)
    if not is_one or len(data) > MOST_JPEG_BYTES:
        raise ValueError("no picture")
    return data


def _pixels(value: object) -> int | None:
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or not 0 < value <= _MOST_PIXELS:
        raise ValueError("no number of pixels")
    return value


def _number(value: object, most: float) -> float | None:
    if value is None:
        return None
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise TypeError("no number")
    if not math.isfinite(value) or not 0 <= value <= most:
        raise ValueError("no number of its kind")
    return float(value)


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > _MOST_TEXT:
        raise ValueError("no text of its kind")
    if not value.isascii() or not (value.isprintable() or value == ""):
        raise ValueError("no text of its kind")
    return value


def _note(value: object) -> str:
    if value not in NOTES:
        raise ValueError("no note of ours")
    return str(value)


def _refused(constant: str) -> float:
    raise ValueError(f"{constant} is no number")
