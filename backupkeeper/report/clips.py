"""What is hurt of a clip, as a part of a sentence: ``picture 00:12:03.4–00:12:05.1, sound unharmed``.

Promises:
1. Times name all that is hurt: beginnings are rounded down and ends up, to a tenth of a second.
2. Nothing is called unharmed where that is not known (``ClipHarm.sure``).
3. A sentence stays short: of many places the first few are named and the others counted.
"""  # noqa: RUF002 - a dash is meant

import math
from typing import Final

from backupkeeper.core.clip_harm import DATA, PICTURE, SOUND, ClipHarm, StreamHarm
from backupkeeper.core.ranges import length
from backupkeeper.report.words import count, told

Json = dict[str, object]

_MOST_SPANS: Final = 3
_MOST_STREAMS: Final = 4
_TENTHS: Final = 10
_ROUNDING: Final = 1e-4
"""Tenths this close to a whole one are it: times come as fractions of any base."""
_HURT_INDEX: Final = "its index or header is hurt"
_NAMES: Final = {PICTURE: "picture", SOUND: "sound", DATA: "other data"}
_WHOLE: Final = {PICTURE: "the pictures are", SOUND: "the sound is"}


def clip_words(harm: ClipHarm) -> str:
    """One part of a sentence, on one line, without the clip's name and without a full stop.

    ``picture 00:12:03.4–00:12:05.1, sound unharmed``;
    ``its index or header is hurt: it may not open, the pictures are unharmed``;
    ``nothing of it could be understood (its index or header can't be read)``.
    """  # noqa: RUF002 - a dash is meant
    if not harm.opened:
        why = f" ({told(harm.why)})" if harm.why else ""
        return f"nothing of it could be understood{why}"
    hurt = [one for one in harm.streams if one.spans]
    parts = [_hurt(one, harm) for one in hurt[:_MOST_STREAMS]]
    if len(hurt) > _MOST_STREAMS:
        parts.append(f"{count(len(hurt) - _MOST_STREAMS)} more tracks too")
    if not harm.sure:
        return _unsure(parts, harm)
    if not hurt:
        return _whole(harm)
    parts += _unharmed(harm)
    end = f"; {_HURT_INDEX} too: it may not open" if harm.index else ""
    return ", ".join(parts) + end


def _whole(harm: ClipHarm) -> str:
    kinds = {one.kind for one in harm.streams}
    if {PICTURE, SOUND} <= kinds:
        rest = "pictures and sound are unharmed"
    else:
        rest = " and ".join(words for kind, words in _WHOLE.items() if kind in kinds)
        rest = f"{rest} unharmed" if rest else "the rest is unharmed"
    if harm.index:
        return f"{_HURT_INDEX}: it may not open, {rest}"
    return f"only bytes that fill up are hurt, {rest}" if harm.padding else rest


def _unsure(parts: list[str], harm: ClipHarm) -> str:
    why = f" ({told(harm.why)})" if harm.why else ""
    if not parts:
        start = f"{_HURT_INDEX}: it may not open; " if harm.index else ""
        return f"{start}whether its pictures and sound are hurt is not known{why}"
    return f"{', '.join(parts)}; there may be more{why}"


def _unharmed(harm: ClipHarm) -> list[str]:
    """``sound unharmed``; ``the other sounds unharmed`` where some of a kind are hurt."""
    parts = []
    for kind in (PICTURE, SOUND):
        whole = [one for one in harm.streams if one.kind == kind and not one.spans]
        of_kind = sum(one.kind == kind for one in harm.streams)
        if len(whole) == of_kind and whole:
            parts.append(f"{_NAMES[kind]} unharmed")
        elif len(whole) == 1:
            parts.append(f"{_name(whole[0], harm)} unharmed")
        elif whole:
            parts.append(f"the other {kind}s unharmed")
    return parts


def _hurt(one: StreamHarm, harm: ClipHarm) -> str:
    spans = [f"{_clock(begin)}–{_clock(end, up=True)}" for begin, end in one.spans[:_MOST_SPANS]]  # noqa: RUF001 - a dash is meant
    rest = len(one.spans) - _MOST_SPANS
    if rest > 0:
        spans.append(f"{count(rest)} more {'place' if rest == 1 else 'places'}")
    listed = " and ".join(spans) if len(spans) < 3 else f"{', '.join(spans[:-1])} and {spans[-1]}"  # noqa: PLR2004 - from three on commas
    return f"{_name(one, harm)} {listed}"


def _name(one: StreamHarm, harm: ClipHarm) -> str:
    """``sound 2`` where there are several."""
    alike = sum(other.kind == one.kind for other in harm.streams)
    name = _NAMES.get(one.kind, told(one.kind))
    return name if alike == 1 else f"{name} {one.number}"


def _clock(seconds: float, *, up: bool = False) -> str:
    """``00:12:03.4``."""
    tenths = seconds * _TENTHS
    whole = math.ceil(tenths - _ROUNDING) if up else math.floor(tenths + _ROUNDING)
    rest, tenth = divmod(max(0, whole), _TENTHS)
    minutes, second = divmod(rest, 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours:02}:{minute:02}:{second:02}.{tenth}"


def clip_json(harm: ClipHarm) -> Json:
    """The same as an object: spans in seconds from the clip's beginning, bytes half-open.

    Keys: ``understood``, ``sure``, ``why`` (null where there is nothing to say), ``streams`` (each
    ``kind``, ``number``, ``spans``), ``index`` (byte ranges), ``padding_bytes`` (a number: there may
    be very many such ranges).
    """
    return {
        "understood": harm.opened,
        "sure": harm.sure,
        "why": harm.why or None,
        "streams": [
            {
                "kind": one.kind,
                "number": one.number,
                "spans": [[round(begin, 6), round(end, 6)] for begin, end in one.spans],
            }
            for one in harm.streams
        ],
        "index": [list(span) for span in harm.index],
        "padding_bytes": length(harm.padding),
    }
