"""The harm of a clip in words: which seconds of picture and sound.

Promise: a stream is called unharmed only where that is known.
"""

from backupkeeper.core.clip_harm import ClipHarm, StreamHarm
from backupkeeper.report.words import plural

_MOST_SPANS = 3
Json = dict[str, object]


def clip_words(harm: ClipHarm) -> str:
    """``picture 00:12:03.4–00:12:05.1, sound unharmed``."""  # noqa: RUF002 - a dash is meant
    if not harm.opened:
        return f"nothing of it could be understood ({harm.why})" if harm.why else "not understood"
    parts = []
    if harm.index:
        parts.append("its index or header is hurt: it may not open")
    kinds = [stream.kind for stream in harm.streams]
    for stream in harm.streams:
        name = stream.kind if kinds.count(stream.kind) == 1 else f"{stream.kind} {stream.number}"
        parts.append(f"{name} {_spans(stream, is_sure=harm.sure)}")
    if harm.padding and not harm.index and not any(stream.spans for stream in harm.streams):
        parts.append("only filling bytes are hurt")
    if not harm.sure and harm.why:
        parts.append(harm.why)
    return ", ".join(parts)


def _spans(stream: StreamHarm, *, is_sure: bool) -> str:
    if not stream.spans:
        return "unharmed" if is_sure else "not known"
    told = [f"{_clock(begin)}–{_clock(end)}" for begin, end in stream.spans[:_MOST_SPANS]]  # noqa: RUF001 - a dash is meant
    rest = len(stream.spans) - _MOST_SPANS
    if rest > 0:
        told.append(plural(rest, "more place", "more places"))
    return " and ".join(told)


def _clock(seconds: float) -> str:
    tenths = round(seconds * 10)
    whole, tenth = divmod(tenths, 10)
    minutes, second = divmod(whole, 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours:02}:{minute:02}:{second:02}.{tenth}"


def clip_json(harm: ClipHarm) -> Json:
    """The same as an object; spans in seconds from the clip's beginning, ranges half-open."""
    return {
        "understood": harm.opened,
        "sure": harm.sure,
        "why": harm.why or None,
        "streams": [
            {
                "kind": stream.kind,
                "number": stream.number,
                "spans": [[round(begin, 3), round(end, 3)] for begin, end in stream.spans],
            }
            for stream in harm.streams
        ],
        "index": [list(span) for span in harm.index],
        "padding": [list(span) for span in harm.padding],
    }
