"""A hurt clip with no good copy beside it: where it is told with certainty, it is what a good one says."""

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from backupkeeper.core.clip_harm import ClipHarm
from backupkeeper.core.ranges import merged
from tests.cards.made_up_clips import RECIPES, made
from tests.cards.test_clips import harm

TENTH = 0.1


def holds(told: ClipHarm, true: ClipHarm) -> bool:
    """Whether all true harm is among what was told, to the tenth of a second that words name."""
    return all(
        any(first - TENTH <= begin and end <= last + TENTH for first, last in mine.spans)
        for mine, other in zip(told.streams, true.streams, strict=False)
        for begin, end in other.spans
    )


damage = st.lists(
    st.tuples(
        st.floats(0, 0.9999),
        st.sampled_from([1, 4, 100, 512, 4096, 65_536]),
        st.sampled_from(["zeros", "turned over", "a bit"]),
    ),
    min_size=1,
    max_size=3,
)


@pytest.mark.slow
@pytest.mark.parametrize("called", sorted(RECIPES))
@settings(max_examples=15, suppress_health_check=[HealthCheck.too_slow])
@given(places=damage)
def test_what_is_told_with_certainty_is_what_a_good_copy_says(
    called: str, places: list[tuple[float, int, str]]
) -> None:
    recipe = RECIPES[called]
    clip = made(recipe)
    broken, touched = bytearray(clip), set[int]()
    for part, size, how in places:
        at = int(part * len(clip))
        end = min(len(clip), at + size)
        old = broken[at:end]
        touched.update(range(at, end))
        if how == "zeros":
            broken[at:end] = bytes(end - at)
        elif how == "turned over":
            broken[at:end] = bytes(one ^ 0xFF for one in old)
        else:
            broken[at] ^= 1 << (size % 8)
    ranges = merged((n, n + 1) for n in sorted(touched) if clip[n] != broken[n])
    name = f"WIDE0007{recipe.ending}"
    told = harm(bytes(broken), name, ranges, from_good=False)
    true = harm(clip, name, ranges)
    assert true.opened
    if told.opened and told.sure:
        assert holds(told, true)
        assert (told.index, told.padding) == ((), ())
