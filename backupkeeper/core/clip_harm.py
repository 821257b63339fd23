"""What hurt bytes of a clip are to a person: which seconds of which picture and sound.

Promises:
1. No harm is left out: the seconds of a packet with a hurt byte are always among the spans of its
   stream, and a hurt byte that belongs to no packet stands in ``index`` or ``padding``.
2. More hurt bytes never mean less harm.
3. Spans are half-open, in order, merged, longer than nothing, and lie within the clip.
4. Memory grows with the harm, not with the clip: packets are taken one by one.
"""

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from backupkeeper.core.ranges import Ranges, merged

Spans = tuple[tuple[float, float], ...]
"""Seconds from the clip's beginning: half-open, in order, merged."""

PICTURE: Final = "picture"
SOUND: Final = "sound"
DATA: Final = "data"
PADDING: Final = None
"""The stream of bytes that fill up and mean nothing."""

APART: Final = 1e-6
"""Spans that are no further apart, in seconds, are one: what lies between is rounding."""
SHORTEST: Final = 1e-3
"""The length in seconds of harm for which no length is known."""
_MOST_PIECES: Final = 10_000
"""So many pieces are gathered before they are merged."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StreamHarm:
    """One stream of a clip. ``spans`` is empty where it is unharmed.

    Args:
        kind: ``picture``, ``sound`` or ``data`` (time code, the camera's notes ...).
        number: which one of its kind, from 1.
        spans: seconds from the clip's beginning.
    """

    kind: str
    number: int
    spans: Spans = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class ClipHarm:
    """What is hurt of one clip.

    Args:
        streams: every stream of the clip, hurt or not; empty where nothing was understood.
        index: hurt bytes that belong to no packet: index, header; all of them where not opened.
        opened: whether the clip could be understood at all.
        why: a sentence where it could not, or where ``sure`` is false.
        padding: hurt bytes that are known to fill up only: no harm comes from them.
        sure: whether what is not named here is known to be unharmed. False where hurt bytes belong
            to no known packet and the layout could not be read from a good copy, or not in full.
    """

    streams: tuple[StreamHarm, ...]
    index: Ranges
    opened: bool
    why: str = ""
    padding: Ranges = ()
    sure: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Packet:
    """One packet of a clip: bytes that lie together and are seen or heard at one time.

    Args:
        stream: position of its stream among the clip's, or ``PADDING``.
        begin: first byte in the file.
        end: the byte after the last.
        time: when it is seen or heard, in seconds from the clip's beginning; may be below 0 (what
            players leave out at the start).
        duration: for how long, in seconds; 0 where it is not known.
        echo: for how long it is still heard in what follows, in seconds (coded sound).
        is_key: whether a picture can be made from it without any other.
    """

    stream: int | None
    begin: int
    end: int
    time: float = 0.0
    duration: float = 0.0
    echo: float = 0.0
    is_key: bool = True


def harm_of(kinds: Sequence[str], packets: Iterable[Packet], ranges: Ranges) -> ClipHarm:
    """Turn hurt bytes into what is seen and heard of them.

    Pictures: harm begins with the earliest presentation time of all that was stored from the hurt
    packet on, and lasts until the next key picture (exclusive), or to the end of its stream.
    Storage order is not presentation order (B pictures), so that time may lie before the hurt
    packet's own; pictures that are stored after a key picture and shown before it lean on both
    sides and count to the harm before it. A picture in between that happens to be whole is named
    too: which one leans on which is known to a decoder only. Where every picture is a key, one hurt
    packet is one picture, shown until the next. A key picture is believed to be one.

    Sound and data: the packet's own time; until the next packet where its length is not known.

    Args:
        kinds: kind of each stream of the clip.
        packets: all packets of the clip, those of one stream in the order in which they are decoded.
        ranges: the hurt bytes.

    Returns:
        Harm with ``opened`` and ``sure`` true.
    """
    tracks = [_Pictures() if kind == PICTURE else _Track() for kind in kinds]
    hurt, padding = _Pieces(ranges), _Pieces(ranges)
    for packet in packets:
        if packet.stream is PADDING:
            padding.take(packet)
        else:
            tracks[packet.stream].take(packet, hurt=hurt.take(packet))
    last = max((track.end for track in tracks), default=0.0)
    numbers: dict[str, int] = {}
    streams = []
    for kind, track in zip(kinds, tracks, strict=True):
        numbers[kind] = numbers.get(kind, 0) + 1
        spans = _within(track.finish(), last)
        streams.append(StreamHarm(kind=kind, number=numbers[kind], spans=spans))
    outside = _without(ranges, hurt.merged())
    return ClipHarm(
        streams=tuple(streams),
        index=_without(outside, padding.merged()),
        opened=True,
        padding=_without(outside, _without(outside, padding.merged())),
    )


def not_understood(ranges: Ranges, why: str) -> ClipHarm:
    """Harm of a clip that nothing can be said about, with the sentence that says why."""
    return ClipHarm(streams=(), index=ranges, opened=False, why=why, sure=False)


def _without(ranges: Ranges, taken: Ranges) -> Ranges:
    """The bytes of ``ranges`` that are not in ``taken``, in one pass: both may have very many."""
    left: list[tuple[int, int]] = []
    at = 0
    for begin, end in ranges:
        while at < len(taken) and taken[at][1] <= begin:
            at += 1
        now, looked = begin, at
        while looked < len(taken) and taken[looked][0] < end:
            if now < taken[looked][0]:
                left.append((now, taken[looked][0]))
            now = max(now, taken[looked][1])
            looked += 1
        if now < end:
            left.append((now, end))
    return tuple(left)


class Near:
    """Answers quickly whether bytes are among the hurt ones."""

    def __init__(self, ranges: Ranges) -> None:
        self._ranges = ranges
        self._begins = [begin for begin, _ in ranges]

    def first(self, begin: int, end: int) -> int | None:
        """Which range is the first that shares a byte with ``begin`` to ``end`` (exclusive)."""
        at = max(0, bisect_right(self._begins, begin) - 1)
        while at < len(self._ranges) and self._ranges[at][0] < end:
            if self._ranges[at][1] > begin and begin < end:
                return at
            at += 1
        return None


class _Pieces:
    """Gathers which of the hurt bytes lie in packets."""

    def __init__(self, ranges: Ranges) -> None:
        self._ranges = ranges
        self._near = Near(ranges)
        self._pieces: list[tuple[int, int]] = []
        self._limit = _MOST_PIECES

    def take(self, packet: Packet) -> bool:
        """Whether a byte of this packet is hurt."""
        at = self._near.first(packet.begin, packet.end)
        if at is None:
            return False
        while at < len(self._ranges) and self._ranges[at][0] < packet.end:
            begin, end = self._ranges[at]
            self._pieces.append((max(begin, packet.begin), min(end, packet.end)))
            at += 1
        if len(self._pieces) > self._limit:
            self._pieces = list(merged(self._pieces))
            self._limit = 2 * len(self._pieces) + _MOST_PIECES
        return True

    def merged(self) -> Ranges:
        """The hurt bytes that were in packets."""
        return merged(self._pieces)


@dataclass(slots=True)
class _Track:
    """Sound or data: each packet stands for its own time."""

    spans: list[tuple[float, float]] = field(default_factory=list)
    end: float = 0.0
    """The latest time that any packet so far lasts to."""
    open: float | None = None
    """Begin of harm whose end is not known yet."""
    latest: float = 0.0
    """The latest time of a packet that such harm holds."""

    def take(self, packet: Packet, *, hurt: bool) -> None:
        """Go on by one packet."""
        if self.open is not None and packet.time > self.latest:
            self._close(packet.time)
        self._last(packet)
        if not hurt:
            return
        if packet.duration > 0:
            self._add(packet.time, packet.time + packet.duration + packet.echo)
        else:
            self._open(packet)

    def finish(self) -> list[tuple[float, float]]:
        """The spans, once every packet was taken; not merged."""
        self._close(self.end)
        return self.spans

    def _last(self, packet: Packet) -> None:
        self.end = max(self.end, packet.time + max(packet.duration, 0.0))

    def _open(self, packet: Packet) -> None:
        """Begin harm, or have what has begun hold this packet too."""
        if self.open is None:
            self.open = self.latest = packet.time
        self.open = min(self.open, packet.time)
        self.latest = max(self.latest, packet.time)

    def _close(self, end: float) -> None:
        if self.open is not None:
            self._add(self.open, max(end, self.latest + SHORTEST))
        self.open = None

    def _add(self, begin: float, end: float) -> None:
        end = max(end, begin + SHORTEST)
        if self.spans and self.spans[-1][0] <= begin <= self.spans[-1][1] + APART:
            begin, end = self.spans[-1][0], max(self.spans.pop()[1], end)
        self.spans.append((begin, end))


@dataclass(slots=True)
class _Pictures(_Track):
    """Pictures: harm spreads from the hurt packet to the next key picture."""

    until: float = 0.0
    """The latest end of a picture that the harm holds."""
    last_hurt: float = -math.inf
    """The latest end of a hurt picture since harm began."""
    key: float | None = None
    """Time of the key picture that ended harm, while what leans on both sides of it may follow."""

    def take(self, packet: Packet, *, hurt: bool) -> None:
        """Go on by one packet."""
        if packet.is_key:
            self.key = None
            if self.open is not None:
                # A key picture that is shown before what it follows ends nothing by its time.
                ends = packet.time if packet.time > self.latest else self.until
                self._close(max(ends, self.last_hurt))
                self.key, self.last_hurt = packet.time, -math.inf
        self._last(packet)
        if hurt or self.open is not None:
            end = packet.time + max(packet.duration, 0.0)
            self.until = end if self.open is None else max(self.until, end)
            if hurt:
                self.last_hurt = max(self.last_hurt, end)
            self._open(packet)
        elif self.key is not None and packet.time < self.key:
            self._add(packet.time, self.key)


def _within(spans: Iterable[tuple[float, float]], last: float) -> Spans:
    """Merge spans and cut them to the clip; what lies outside of it is told as its first or last.

    Args:
        spans: in any order, none shorter than ``SHORTEST``.
        last: seconds of the clip.
    """
    length = max(last, SHORTEST)
    found: list[tuple[float, float]] = []
    for begin, end in sorted(spans):
        start = max(0.0, min(begin, length - SHORTEST))
        stop = min(length, max(end, SHORTEST))
        if found and start <= found[-1][1] + APART:
            found[-1] = (found[-1][0], max(found[-1][1], stop))
        else:
            found.append((start, stop))
    return tuple(found)
