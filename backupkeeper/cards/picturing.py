"""A small picture out of a clip, and what there is to know of it: the part that decodes.

Runs in a process of its own (``cards.poster_reader``): the library that it uses is written in C and
is handed hostile bytes.

The picture is the key frame at or before a tenth of the clip's length. If that is nearly black, those
at three, five, seven and nine tenths are tried, then what lies behind the first one; of those that
are all nearly black the brightest is taken.

Promises:
1. The kind of container goes by the file's ending and is never guessed from its bytes.
2. Whatever the library raises becomes a poster that says so.
3. Decoding stops after ``MOST_SECONDS`` of computing, with what there is by then.
"""

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from time import process_time
from typing import TYPE_CHECKING, BinaryIO, Final

from backupkeeper.cards.demuxing import BUFFER_BYTES, FORMATS
from backupkeeper.core.posters import (
    LONGEST_SECONDS,
    MOMENTS,
    MOST_FRAMES_PER_SECOND,
    MOST_JPEG_BYTES,
    NO_PICTURE,
    NOT_DECODED,
    NOT_UNDERSTOOD,
    SOUND_ONLY,
    TOO_LARGE,
    Poster,
    coding_name,
    is_nearly_black,
    small_size,
    sound_words,
)

if TYPE_CHECKING:
    from av.audio.stream import AudioStream
    from av.container import InputContainer
    from av.video.codeccontext import VideoCodecContext
    from av.video.frame import VideoFrame
    from av.video.stream import VideoStream

PICTURED: Final = {
    **FORMATS,
    ".mts": "mpegts",
    ".m2ts": "mpegts",
    ".mpg": "mpeg",
    ".3gp": "mov",
    ".mkv": "matroska",
    ".webm": "matroska",
    ".aif": "aiff",
    ".aiff": "aiff",
    ".flac": "flac",
    ".mp3": "mp3",
}
"""Endings of clips and of sound, and the library's name of the container."""
MOST_SECONDS: Final = 5.0
"""Of computing, for one clip."""
MOST_PIXELS: Final = 72_000_000
"""The largest picture that is decoded: one of 12,288 by 5,760 fits."""
MOST_FRAMES: Final = 2000
"""So many are decoded in a row, where one after another is looked through."""
_LOOKED_AT: Final = 12
"""Of these every so manieth is looked at."""
SMALL_BYTES: Final = 10_240
"""A picture that is no larger is small enough."""
_QUALITIES: Final = (4, 8, 16, 31)
"""Of the JPEG, the best first; the first that is small enough is kept (2 to 31, the library's scale)."""
_MICROSECOND: Final = 1e-6
_NARROWEST: Final = 0.1
"""Pixels that call themselves narrower, or wider than its inverse, count as square."""
_OVER: Final = (("hflip", ""), ("vflip", ""))
_TURNS: Final = {
    90: (("transpose", "cclock"),),
    -90: (("transpose", "clock"),),
    180: _OVER,
    -180: _OVER,
}
"""What turns a picture upright, by how far it says that it is to be turned, counter-clockwise."""


def kind_of(name: str) -> str | None:
    """The library's name of the container that a file's ending promises; None for no clip."""
    return PICTURED.get("." + name.lower().rpartition(".")[2]) if "." in name else None


def poster_in(
    open_clip: Callable[[], BinaryIO],
    kind: str,
    content: str,
    *,
    seconds: Callable[[], float] = process_time,
) -> Poster:
    """What a clip looks like.

    Args:
        open_clip: opens the clip. What it raises is a clip that was not understood.
        kind: of container, from ``kind_of``.
        content: its BLAKE3, which goes into the poster.
        seconds: a stopwatch of the time that was computed.
    """
    import av  # noqa: PLC0415 - an optional extra, and slow to load

    # The library's own messages would only fill a log that nobody reads.
    av.logging.set_level(None)
    until = seconds() + MOST_SECONDS
    poster = Poster(content=content, note=NOT_UNDERSTOOD)
    try:
        with (
            open_clip() as stream,
            av.open(stream, mode="r", format=kind, buffer_size=BUFFER_BYTES) as clip,
        ):
            poster = _described(clip, content)
            video = _video(clip)
            if video is not None and poster.width is not None:
                search = _Search(clip=clip, video=video, is_over=lambda: seconds() > until)
                return search.found(poster)
    except Exception:  # noqa: BLE001 - promise 2: hostile bytes reach a C library and its wrapper
        return poster
    return poster


def _described(clip: "InputContainer", content: str) -> Poster:
    """All but the picture."""
    length = clip.duration * _MICROSECOND if clip.duration is not None else None
    length = round(length, 3) if length is not None and 0 <= length <= LONGEST_SECONDS else None
    sounds = clip.streams.audio
    channels = sum(_channels(one) for one in sounds)
    told = Poster(
        content=content,
        seconds=length,
        sound=sound_words(len(sounds), channels, sounds[0].rate or 0) if sounds else "",
    )
    video = _video(clip)
    if video is None:
        coding = _coding(sounds[0]) if sounds else ""
        return replace(told, coding=coding, note=SOUND_ONLY if sounds else NO_PICTURE)
    rate = video.average_rate or video.guessed_rate
    told = replace(
        told,
        coding=_coding(video),
        frames_per_second=round(float(rate), 3)
        if rate and rate <= MOST_FRAMES_PER_SECOND
        else None,
        note=NOT_DECODED,
    )
    width, height = _size(video)
    if width <= 0 or height <= 0:
        return told
    if width * height > MOST_PIXELS:
        return replace(told, note=TOO_LARGE)
    return replace(told, width=width, height=height)


def _video(clip: "InputContainer") -> "VideoStream | None":
    """The picture itself: not the cover of a recording, nor a camera's own small one beside it."""
    from av.stream import Disposition  # noqa: PLC0415 - as above

    found = [one for one in clip.streams.video if not one.disposition & Disposition.attached_pic]
    return max(found, key=_size, default=None)


def _size(video: "VideoStream") -> tuple[int, int]:
    """Width and height in pixels; 0 where no decoder is known."""
    decoder: VideoCodecContext | None = video.codec_context
    return (0, 0) if decoder is None else (decoder.width, decoder.height)


def _coding(stream: "VideoStream | AudioStream") -> str:
    name = getattr(stream.codec_context, "name", None)  # None where no decoder is known
    return coding_name(name) if isinstance(name, str) else ""


def _channels(stream: "AudioStream") -> int:
    with suppress(Exception):  # promise 2: a layout that it makes nothing of
        return int(stream.codec_context.channels)
    return 0


@dataclass(frozen=True, kw_only=True, slots=True)
class _Picture:
    """One that was found: small, upright, and how bright it is (0 to 255)."""

    frame: "VideoFrame"
    brightness: float
    turned: bool
    """Whether it stood on its side."""


@dataclass(kw_only=True, slots=True)
class _Search:
    """Looks for a picture that shows something."""

    clip: "InputContainer"
    video: "VideoStream"
    is_over: Callable[[], bool]
    best: _Picture | None = None

    def found(self, poster: Poster) -> Poster:
        """The poster with the picture, if there is any."""
        self.video.codec_context.thread_count = 1
        self.video.codec_context.options = {"max_pixels": str(MOST_PIXELS)}
        with suppress(Exception):  # promise 2: what was found before still counts
            self._look()
        jpeg = _jpeg(self.best.frame) if self.best is not None else None
        if self.best is None or jpeg is None:
            return poster
        if self.best.turned:
            poster = replace(poster, width=poster.height, height=poster.width)
        return replace(poster, jpeg=jpeg, note="")

    def _look(self) -> None:
        """Key frames at some moments, then, where all of them are dark, the frames behind the first."""
        length = self.clip.duration or 0
        first = self.clip.start_time or 0
        for part in MOMENTS if length > 0 else ():
            with suppress(Exception):  # an index that leads nowhere: perhaps at the next moment
                self.clip.seek(int(first + part * length), backward=True)
                if self._take(next(self._frames(), None)):
                    return
        self.clip.seek(int(first), backward=True)
        for number, frame in enumerate(self._frames()):
            if number % _LOOKED_AT == 0 and self._take(frame):
                return
            if number >= MOST_FRAMES:
                return

    def _frames(self) -> "Iterator[VideoFrame]":
        for packet in self.clip.demux(self.video):
            if self.is_over():
                return
            try:
                yield from packet.decode()
            except Exception:  # noqa: BLE001, S112 - promise 2: a broken frame; the next may be whole
                continue

    def _take(self, frame: "VideoFrame | None") -> bool:
        """Look at a frame; whether it is one to keep."""
        if frame is None or frame.is_corrupt:
            return False
        picture = _small(frame, _aspect(self.video))
        if self.best is None or picture.brightness > self.best.brightness:
            self.best = picture
        return not is_nearly_black(picture.brightness)


def _aspect(video: "VideoStream") -> float:
    """Width of one pixel by its height."""
    told = video.sample_aspect_ratio or video.codec_context.sample_aspect_ratio
    aspect = float(told) if told else 1.0
    return aspect if _NARROWEST <= aspect <= 1 / _NARROWEST else 1.0


def _small(frame: "VideoFrame", aspect: float) -> _Picture:
    turns = _TURNS.get(frame.rotation, ())
    turned = len(turns) == 1
    shown = (frame.width * aspect, float(frame.height))
    size = small_size(*reversed(shown))[::-1] if turned else small_size(*shown)
    # Shrunk before it is turned: that costs least.
    shrink = ("scale", f"{size[0]}:{size[1]}:flags=area:out_range=full")
    made = _through(frame, [shrink, *turns, ("format", "yuvj420p")])
    bright = made.planes[0]
    rows, step = memoryview(bright).cast("B"), bright.line_size
    total = sum(sum(rows[y * step : y * step + made.width]) for y in range(made.height))
    return _Picture(frame=made, brightness=total / (made.width * made.height), turned=turned)


def _through(frame: "VideoFrame", steps: list[tuple[str, str]]) -> "VideoFrame":
    from av.filter import Graph  # noqa: PLC0415 - as above

    graph = Graph()
    nodes = [
        graph.add_buffer(
            width=frame.width,
            height=frame.height,
            format=frame.format,
            time_base=Fraction(1, 1000),
        ),
        *(graph.add(name, told) for name, told in steps),
        graph.add("buffersink"),
    ]
    for one, other in pairwise(nodes):
        one.link_to(other)
    graph.configure()
    frame.pts = 0
    graph.push(frame)
    made = graph.pull()
    assert hasattr(made, "planes")
    return made  # type: ignore[return-value]  # a picture went in


def _jpeg(frame: "VideoFrame") -> bytes | None:
    """A JPEG that is small enough; None where it can't be made."""
    from av import CodecContext  # noqa: PLC0415 - as above
    from av.codec.context import Flags  # noqa: PLC0415 - as above

    data = b""
    for quality in _QUALITIES:
        maker = CodecContext.create("mjpeg", "w")
        maker.width, maker.height, maker.pix_fmt = frame.width, frame.height, frame.format.name
        maker.time_base = Fraction(1, 25)
        maker.qmin = maker.qmax = quality
        maker.flags |= Flags.bitexact  # no name and version of the library in it
        frame.pts = 0
        data = b"".join(bytes(one) for one in (*maker.encode(frame), *maker.encode(None)))
        if len(data) <= SMALL_BYTES:
            break
    return data if 0 < len(data) <= MOST_JPEG_BYTES else None
