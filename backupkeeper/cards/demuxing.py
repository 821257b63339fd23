"""The packets of a clip, where their bytes lie and when they are seen or heard. Nothing is decoded.

Runs in a process of its own (``cards.clip_reader``): the library that it uses is written in C and
is handed hostile bytes.

Promises:
1. The kind of container goes by the file's ending and is never guessed from its bytes: a play list
   that calls itself a clip opens no other file.
2. Whatever the library raises becomes a value. No more than ``MOST_PACKETS`` are read.
3. Positions are held against the file: where a packet's bytes do not lie where the library says,
   nothing is told of the clip.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, BinaryIO, Final

from backupkeeper.cards.clip_layouts import LAYOUTS, media_of, read_at
from backupkeeper.core.clip_harm import (
    DATA,
    PADDING,
    PICTURE,
    SOUND,
    ClipHarm,
    Near,
    Packet,
    harm_of,
    not_understood,
)
from backupkeeper.core.ranges import Ranges, without

if TYPE_CHECKING:
    import av
    from av.container import InputContainer
    from av.stream import Stream

FORMATS: Final = {
    ".mp4": "mov",
    ".m4v": "mov",
    ".m4a": "mov",
    ".mov": "mov",
    ".mxf": "mxf",
    ".avi": "avi",
    ".wav": "wav",
    ".bwf": "wav",
    ".rf64": "wav",
}
"""Endings of clips, and the library's name of the container."""
MOST_PACKETS: Final = 20_000_000
BUFFER_BYTES: Final = 65_536

UNREADABLE: Final = "its index or header can't be read"
ELSEWHERE: Final = "its index names places where its pictures and sound do not lie"
NOT_TO_THE_END: Final = "it can't be read to its end"
NO_GOOD_COPY: Final = "its index or header is hurt, and no good copy was there to read them from"
NO_LIBRARY: Final = "the library that reads clips can't be loaded"
EMPTY: Final = "it holds neither pictures nor sound"

_KINDS: Final = {"video": PICTURE, "audio": SOUND}
_CHECKED: Final = 8
"""So many packets of each stream are held against the file."""
_MICROSECOND: Final = 1e-6


def format_of(name: str) -> str | None:
    """The library's name of the container that a file's ending promises; None for no clip."""
    return FORMATS.get("." + name.lower().rpartition(".")[2]) if "." in name else None


def harm_in(
    open_clip: Callable[[], BinaryIO], kind: str, ranges: Ranges, *, from_good: bool
) -> ClipHarm:
    """What hurt bytes of a clip are to a person.

    Args:
        open_clip: opens the clip; called twice. What it raises is a clip that was not understood.
        kind: of container, from ``format_of``.
        ranges: the hurt bytes.
        from_good: whether the bytes that it reads are those of a good copy.
    """
    try:
        import av  # noqa: PLC0415 - an optional extra, and slow to load
    except ImportError:
        return not_understood(ranges, NO_LIBRARY)
    try:
        with ExitStack() as stack:
            stream, beside = stack.enter_context(open_clip()), stack.enter_context(open_clip())
            clip = stack.enter_context(
                av.open(stream, mode="r", format=kind, buffer_size=BUFFER_BYTES)
            )
            return _told(clip, kind, beside, ranges, from_good=from_good)
    except Exception:  # noqa: BLE001 - promise 2: hostile bytes reach a C library and its wrapper
        return not_understood(ranges, UNREADABLE)


def _told(
    clip: "InputContainer", kind: str, beside: BinaryIO, ranges: Ranges, *, from_good: bool
) -> ClipHarm:
    streams = tuple(clip.streams)
    if not any(one.type in _KINDS for one in streams):
        return not_understood(ranges, EMPTY)
    walk = _Walk(clip=clip, kind=kind, beside=beside, near=Near(ranges), from_good=from_good)
    kinds = [_KINDS.get(one.type, DATA) for one in streams]
    harm = harm_of([*kinds, DATA], walk.packets(), ranges)
    if not harm.streams[-1].spans:
        harm = replace(harm, streams=harm.streams[:-1])
    if walk.is_elsewhere or not walk.count:
        return not_understood(ranges, ELSEWHERE if walk.is_elsewhere else UNREADABLE)
    if not from_good and (harm.index or without(ranges, media_of(beside, kind))):
        return replace(harm, sure=False, why=NO_GOOD_COPY)
    if walk.broke_off:
        return replace(harm, sure=False, why=NOT_TO_THE_END)
    return harm


@dataclass(slots=True)
class _Walk:
    """One walk through a clip's packets, and how it went."""

    clip: "InputContainer"
    kind: str
    beside: BinaryIO
    near: Near
    from_good: bool
    count: int = 0
    broke_off: bool = False
    is_elsewhere: bool = False
    checked: Counter[int] = field(default_factory=Counter)

    def packets(self) -> Iterator[Packet]:
        """Every packet, and what comes behind those that are near hurt bytes."""
        layout = LAYOUTS[self.kind](self.beside, self.near)
        zero = (self.clip.start_time or 0) * _MICROSECOND
        times = [_Times(one, zero) for one in self.clip.streams]
        for raw in self._raw():
            number = raw.stream_index
            is_checked = self.from_good and self.checked[number] < _CHECKED
            lies = layout.lies(raw.pos or 0, raw.size, look=is_checked)
            if is_checked and not lies.is_known:
                self.checked[number] += 1
                if read_at(self.beside, lies.payload, raw.size) != bytes(raw):
                    self.is_elsewhere = True
                    return
            time, duration, echo = times[number].of(raw)
            yield Packet(
                stream=number,
                # A hurt header of a packet in a hurt copy leaves open what else it had to say.
                begin=lies.begin if self.from_good else lies.payload,
                end=lies.end if self.from_good else lies.payload + raw.size,
                time=time,
                duration=duration,
                echo=echo,
                is_key=raw.is_keyframe,
            )
            if self.from_good:
                yield from (Packet(stream=PADDING, begin=at, end=end) for at, end in lies.fills)
                # They belong to what is stored next, and are no stream of the library's.
                notes, then = len(times), time + duration
                yield from (
                    Packet(stream=notes, begin=at, end=end, time=then, duration=duration)
                    for at, end in lies.notes
                )

    def _raw(self) -> "Iterator[av.Packet[Stream]]":
        packets = self.clip.demux()
        while True:
            try:
                raw = next(packets, None)
            except Exception:  # noqa: BLE001 - promise 2, as above
                raw, self.broke_off = None, True
            if raw is None:
                return
            if raw.size == 0:  # the library's mark of a stream's end
                continue
            if self.count >= MOST_PACKETS or raw.pos is None or raw.pos < 0:
                self.broke_off = True
                return
            self.count += 1
            yield raw


class _Times:
    """When packets of one stream are seen or heard, in seconds from the clip's beginning."""

    def __init__(self, stream: "Stream", zero: float) -> None:
        self._base = float(stream.time_base or 0)
        self._zero = zero
        self._next = 0.0
        codec = getattr(stream.codec_context, "name", "")  # None where no decoder is known
        # Coded sound is laid half over what follows: a hurt packet is heard in the next one too.
        self._echoes = stream.type == "audio" and not codec.startswith("pcm")

    def of(self, raw: "av.Packet[Stream]") -> tuple[float, float, float]:
        """Time, duration and echo; a time that is not told is where the last one ended."""
        at = raw.pts if raw.pts is not None else raw.dts
        time = at * self._base - self._zero if at is not None else self._next
        duration = max(0, raw.duration or 0) * self._base
        self._next = time + duration
        return time, duration, duration if self._echoes else 0.0
