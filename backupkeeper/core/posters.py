"""A poster: one small picture of a clip and its length, so that a person knows a card again.

It is for looking at only: no state, gap or verdict goes by it.
"""

from dataclasses import dataclass


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
