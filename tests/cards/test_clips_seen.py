"""The proof: what a decoder sees and hears of a hurt clip is whole outside of the seconds named.

The decoder is FFmpeg's (PyAV); it knows nothing of what was named. Every picture and every sample
outside of the named seconds must be there and be the good clip's to the bit, and of what is named
something must differ or be gone.
"""

from collections.abc import Mapping

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from backupkeeper.core.clip_harm import ClipHarm
from backupkeeper.core.ranges import Ranges
from tests.cards.made_up_clips import (
    ALL_KEYS,
    FRAGMENTS,
    MOV,
    MP4,
    MXF,
    OPEN_GOP,
    RATE,
    SECONDS,
    SOUND_RATE,
    WAV,
    Known,
    Recipe,
    heard,
    hurt,
    known,
    made,
    seen,
)
from tests.cards.test_clips import harm, payload

HALF_A_PICTURE = 0.02
_good: dict[tuple[Recipe, int], Mapping[float, bytes]] = {}


def good_pictures(recipe: Recipe) -> Mapping[float, bytes]:
    """What is seen of the good clip; decoded once."""
    if (recipe, 0) not in _good:
        _good[recipe, 0] = seen(made(recipe))
    return _good[recipe, 0]


def is_named(found: ClipHarm, stream: int, time: float, *, slack: float = 0.0) -> bool:
    """Whether a time is among the seconds that were named."""
    spans = found.streams[stream].spans
    return any(begin - slack <= time < end + slack for begin, end in spans)


def differing(recipe: Recipe, ranges: Ranges) -> list[float]:
    """Times of the pictures that are not seen any more as they were, once these bytes are hurt."""
    now = seen(hurt(made(recipe), ranges))
    return [time for time, picture in good_pictures(recipe).items() if now.get(time) != picture]


PICTURES = {
    "mp4": MP4, "open gop": OPEN_GOP, "fragments": FRAGMENTS, "mov": MOV, "all keys": ALL_KEYS,
    "mxf": MXF,
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("called", PICTURES)
def test_pictures_outside_of_the_named_seconds_are_the_good_ones_to_the_bit(called: str) -> None:
    recipe = PICTURES[called]
    clip = made(recipe)
    good = good_pictures(recipe)
    assert len(good) == SECONDS * RATE
    pictures = [one for one in known(clip, recipe) if one.kind == "video"]
    for packet in (pictures[0], *pictures[40:56:4], pictures[-1]):
        ranges = (payload(clip, packet),)
        found = harm(clip, f"WIDE0007{recipe.ending}", ranges)
        wrong = differing(recipe, ranges)
        assert wrong
        assert [time for time in wrong if not is_named(found, 0, time + HALF_A_PICTURE / 2)] == []
        named = [time for time in good if is_named(found, 0, time + HALF_A_PICTURE / 2)]
        assert len(named) <= 12 + 3 + 3  # never much more than a group of pictures


@st.composite
def ranges_within(draw: st.DrawFn, packets: list[Known], clip: bytes) -> Ranges:
    """Bytes inside of one picture's packet: one, a sector, or all that is left of it."""
    begin, end = payload(clip, draw(st.sampled_from(packets)))
    first = draw(st.integers(begin, end - 1))
    return ((first, min(end, first + draw(st.sampled_from([1, 16, 512, 1 << 20])))),)


@pytest.mark.slow
@pytest.mark.parametrize("called", ["mp4", "open gop", "mxf"])
@settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_wherever_a_picture_is_hurt_nothing_else_looks_different(
    called: str, data: st.DataObject
) -> None:
    recipe = PICTURES[called]
    clip = made(recipe)
    pictures = [one for one in known(clip, recipe) if one.kind == "video"]
    ranges = data.draw(ranges_within(pictures, clip))
    found = harm(clip, f"WIDE0007{recipe.ending}", ranges)
    wrong = differing(recipe, ranges)
    assert [time for time in wrong if not is_named(found, 0, time + HALF_A_PICTURE / 2)] == []


@pytest.mark.slow
@pytest.mark.parametrize(("called", "stream"), [("mp4", 1), ("mov", 2), ("mxf", 1), ("wav", 0)])
def test_sound_outside_of_the_named_seconds_is_the_good_one_to_the_sample(
    called: str, stream: int
) -> None:
    recipe = {**PICTURES, "wav": WAV}[called]
    clip = made(recipe)
    sounds = [one for one in known(clip, recipe) if one.stream == stream]
    good = heard(clip, stream)
    for packet in (sounds[0], sounds[60], sounds[-1]):
        ranges = (payload(clip, packet),)
        found = harm(clip, f"RECORDER01{recipe.ending}", ranges)
        now = heard(hurt(clip, ranges), stream)
        # What a coder put before and behind the clip to fill its packets is never played.
        wrong = [n for n in range(SECONDS * SOUND_RATE) if now.get(n) != good[n]]
        assert wrong
        assert [n for n in wrong if not is_named(found, stream, (n + 0.5) / SOUND_RATE)] == []
