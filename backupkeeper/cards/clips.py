"""Which seconds of a clip lie in hurt bytes: packets by PyAV, nothing is decoded.

Promises:
1. A damaged clip never hangs or ends the caller: every error of the library is a clip that was not
   understood, and no more packets are read than a bound.
2. Without the library, or for a file that is no clip, the answer is None.
"""

from collections.abc import Callable, Iterator
from typing import Any, BinaryIO, Final

from backupkeeper.core.clip_harm import (
    DATA,
    PICTURE,
    SOUND,
    ClipHarm,
    Packet,
    harm_of,
    not_understood,
)
from backupkeeper.core.ranges import Ranges

ENDINGS: Final = (".mp4", ".m4v", ".mov", ".mxf")
MOST_PACKETS: Final = 20_000_000
_KINDS: Final = {"video": PICTURE, "audio": SOUND}
_KEY_BYTES: Final = 16


def look_into(open_clip: Callable[[], BinaryIO], name: str, ranges: Ranges) -> ClipHarm | None:
    """What hurt bytes of a clip are to a person.

    Args:
        open_clip: opens a good copy, else the hurt one.
        name: of the file: its ending says whether it is a clip.
        ranges: the hurt bytes.
    """
    if not name.lower().endswith(ENDINGS):
        return None
    try:
        import av  # noqa: PLC0415 - an optional extra
    except ImportError:
        return None
    try:
        with open_clip() as stream, av.open(stream, mode="r") as clip:
            kinds = [_KINDS.get(one.type, DATA) for one in clip.streams]
            is_mxf = "mxf" in clip.format.name
            return harm_of(kinds, _packets(clip, stream if is_mxf else None), ranges)
    except (av.FFmpegError, OSError, ValueError, OverflowError) as error:
        return not_understood(ranges, f"its index can't be read: {type(error).__name__}")


def _packets(clip: Any, mxf: BinaryIO | None) -> Iterator[Packet]:  # noqa: ANN401 - PyAV's container
    for number, one in enumerate(clip.demux()):
        if number >= MOST_PACKETS:
            raise ValueError("too many packets")
        if one.pos is None or one.size == 0:
            continue
        base = float(one.time_base) if one.time_base is not None else 0.0
        at = one.pts if one.pts is not None else one.dts
        yield Packet(
            stream=one.stream.index,
            begin=one.pos,
            end=one.pos + one.size + (_KEY_BYTES + 9 if mxf is not None else 0),
            time=(at or 0) * base,
            duration=(one.duration or 0) * base,
            is_key=bool(one.is_keyframe),
        )
