"""What a person reads of a hurt clip, and what a program gets."""

import json
import re

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.clip_harm import (
    DATA,
    PICTURE,
    SOUND,
    ClipHarm,
    Spans,
    StreamHarm,
    not_understood,
)
from backupkeeper.core.ranges import Ranges
from backupkeeper.report.clips import clip_json, clip_words


def harm(
    *streams: tuple[str, Spans], index: Ranges = (), padding: Ranges = (), why: str = ""
) -> ClipHarm:
    """A clip's harm; streams are numbered by kind. With ``why`` it is not sure."""
    numbers: dict[str, int] = {}
    made = []
    for kind, spans in streams:
        numbers[kind] = numbers.get(kind, 0) + 1
        made.append(StreamHarm(kind=kind, number=numbers[kind], spans=spans))
    return ClipHarm(
        streams=tuple(made), index=index, opened=True, padding=padding, why=why, sure=not why
    )


def words_of(clip: ClipHarm) -> str:
    """The words, with a hyphen for the dash that stands between two times."""
    return clip_words(clip).replace("\N{EN DASH}", "-")


PLACE = ((723.4, 725.1),)
FIRST = ((0, 8),)
RIDDLE = "no good copy was there"


@pytest.mark.parametrize(
    ("clip", "words"),
    [
        (
            harm((PICTURE, PLACE), (SOUND, ())),
            "picture 00:12:03.4-00:12:05.1, sound unharmed",
        ),
        (
            harm((PICTURE, ()), (SOUND, PLACE)),
            "sound 00:12:03.4-00:12:05.1, picture unharmed",
        ),
        (
            harm((PICTURE, PLACE), (SOUND, ((1, 2), (3, 4)))),
            "picture 00:12:03.4-00:12:05.1, sound 00:00:01.0-00:00:02.0 and 00:00:03.0-00:00:04.0",
        ),
        (
            harm((PICTURE, ()), (SOUND, ()), (SOUND, PLACE)),
            "sound 2 00:12:03.4-00:12:05.1, picture unharmed, sound 1 unharmed",
        ),
        (
            harm((PICTURE, ()), (SOUND, ()), (SOUND, PLACE), (SOUND, ())),
            "sound 2 00:12:03.4-00:12:05.1, picture unharmed, the other sounds unharmed",
        ),
        (harm((PICTURE, PLACE)), "picture 00:12:03.4-00:12:05.1"),
        (
            harm((PICTURE, ()), (SOUND, ()), (DATA, PLACE)),
            "other data 00:12:03.4-00:12:05.1, picture unharmed, sound unharmed",
        ),
        (
            harm((PICTURE, ()), index=FIRST),
            "its index or header is hurt: it may not open, the pictures are unharmed",
        ),
        (
            harm((PICTURE, ()), (SOUND, ()), (DATA, ()), index=FIRST),
            "its index or header is hurt: it may not open, pictures and sound are unharmed",
        ),
        (
            harm((SOUND, ()), index=FIRST),
            "its index or header is hurt: it may not open, the sound is unharmed",
        ),
        (
            harm((PICTURE, PLACE), (SOUND, ()), index=FIRST),
            "picture 00:12:03.4-00:12:05.1, sound unharmed; its index or header is hurt too: it may not open",
        ),
        (
            harm((PICTURE, ()), (SOUND, ()), padding=FIRST),
            "only bytes that fill up are hurt, pictures and sound are unharmed",
        ),
        (harm((PICTURE, ()), (SOUND, ())), "pictures and sound are unharmed"),
        (harm((DATA, ()), index=FIRST), "its index or header is hurt: it may not open, the rest is unharmed"),
        (
            harm((PICTURE, PLACE), (SOUND, ()), index=FIRST, why=RIDDLE),
            "picture 00:12:03.4-00:12:05.1; there may be more (no good copy was there)",
        ),
        (
            harm((PICTURE, ()), (SOUND, ()), index=FIRST, why=RIDDLE),
            "its index or header is hurt: it may not open; whether its pictures and sound are hurt is not known (no good copy was there)",
        ),
        (
            harm((PICTURE, ()), why=RIDDLE),
            "whether its pictures and sound are hurt is not known (no good copy was there)",
        ),
        (
            not_understood(FIRST, "its index or header can't be read"),
            "nothing of it could be understood (its index or header can't be read)",
        ),
        (not_understood(FIRST, ""), "nothing of it could be understood"),
    ],
)  # fmt: skip
def test_harm_is_told_in_one_plain_part_of_a_sentence(clip: ClipHarm, words: str) -> None:
    assert words_of(clip) == words


@pytest.mark.parametrize(
    ("count", "end"),
    [
        (3, "00:00:00.0-00:00:01.0, 00:00:10.0-00:00:11.0 and 00:00:20.0-00:00:21.0"),
        (4, "00:00:00.0-00:00:01.0, 00:00:10.0-00:00:11.0, 00:00:20.0-00:00:21.0 and 1 more place"),
        (
            1234,
            "00:00:00.0-00:00:01.0, 00:00:10.0-00:00:11.0, 00:00:20.0-00:00:21.0 and 1,231 more places",
        ),
    ],
)
def test_of_many_places_the_first_are_named_and_the_others_counted(count: int, end: str) -> None:
    spans = tuple((10.0 * n, 10.0 * n + 1) for n in range(count))
    assert words_of(harm((PICTURE, spans))) == f"picture {end}"


def test_of_many_tracks_the_first_are_named_and_the_others_counted() -> None:
    words = words_of(harm(*[(SOUND, ((0.0, 1.0),))] * 16))
    assert words.startswith("sound 1 00:00:00.0-00:00:01.0, sound 2 ")
    assert words.endswith(", sound 4 00:00:00.0-00:00:01.0, 12 more tracks too")


@pytest.mark.parametrize(
    ("begin", "end", "told"),
    [
        (0.0, 0.001, "00:00:00.0-00:00:00.1"),
        (1.19, 1.21, "00:00:01.1-00:00:01.3"),
        (1.1 * 3, 3.3 * 3, "00:00:03.3-00:00:09.9"),
        (59.96, 60.0, "00:00:59.9-00:01:00.0"),
        (3599.96, 3600.04, "00:59:59.9-01:00:00.1"),
        (360_000.0, 360_000.1, "100:00:00.0-100:00:00.1"),
        (0.1 + 0.2, 0.7 + 0.1, "00:00:00.3-00:00:00.8"),
    ],
)
def test_times_are_rounded_away_from_the_harm(begin: float, end: float, told: str) -> None:
    assert words_of(harm((PICTURE, ((begin, end),)))) == f"picture {told}"


def seconds(clock: str) -> float:
    """``00:12:03.4`` in seconds."""
    hours, minutes, rest = clock.split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(rest)


@given(st.floats(0, 400_000), st.floats(0.001, 10_000))
def test_whatever_is_hurt_lies_within_the_times_told(begin: float, length: float) -> None:
    words = words_of(harm((PICTURE, ((begin, begin + length),))))
    first, last = map(seconds, re.findall(r"[\d:.]+", words.removeprefix("picture ")))
    assert begin - 0.1001 <= first <= begin + 1e-5
    assert begin + length - 1e-5 <= last <= begin + length + 0.1001
    assert first < last


@given(st.text(), st.text(min_size=1))
def test_no_text_from_outside_reaches_a_terminal_raw(why: str, kind: str) -> None:
    for clip in (not_understood(FIRST, why), harm((kind, PLACE), why=why or "x")):
        words = words_of(clip)
        assert words.isprintable()
        assert not any("\ud800" <= one <= "\udfff" for one in words)


@pytest.mark.parametrize("index", [(), FIRST])
@pytest.mark.parametrize("spans", [(), PLACE])
def test_nothing_is_called_unharmed_that_is_not_known(index: Ranges, spans: Spans) -> None:
    for clip in (
        not_understood(FIRST, RIDDLE),
        harm((PICTURE, spans), (SOUND, ()), index=index, why=RIDDLE),
    ):
        assert "unharmed" not in words_of(clip)


def test_a_dash_stands_between_two_times() -> None:
    words = clip_words(harm((PICTURE, PLACE), (SOUND, ())))
    assert words == "picture 00:12:03.4\N{EN DASH}00:12:05.1, sound unharmed"


def test_a_program_gets_every_span_and_every_byte() -> None:
    clip = harm(
        (PICTURE, PLACE),
        (SOUND, ()),
        (SOUND, ((1 / 3, 2.0),)),
        index=FIRST,
        padding=((9, 12), (20, 24)),
    )
    assert json.loads(json.dumps(clip_json(clip))) == {
        "understood": True,
        "sure": True,
        "why": None,
        "streams": [
            {"kind": "picture", "number": 1, "spans": [[723.4, 725.1]]},
            {"kind": "sound", "number": 1, "spans": []},
            {"kind": "sound", "number": 2, "spans": [[0.333333, 2.0]]},
        ],
        "index": [[0, 8]],
        "padding_bytes": 7,
    }
    nothing = clip_json(not_understood(FIRST, RIDDLE))
    assert (nothing["understood"], nothing["sure"], nothing["why"]) == (False, False, RIDDLE)
