"""The token bucket's laws, without a clock."""

from hypothesis import given, strategies as st

from backupkeeper.core.pacing import (
    BURST_S,
    LARGEST_PIECE,
    SMALLEST_PIECE,
    Pacing,
    piece,
)

limits = st.floats(8_000, 1e9)
pieces = st.integers(1, LARGEST_PIECE)


def passed(pacing: Pacing, wanted: list[tuple[float, int]]) -> list[tuple[float, int]]:
    """When which bytes pass, of somebody who asks for them after so many seconds of doing other things."""
    told, now = [], pacing.at_s
    for idle_s, byte_count in wanted:
        now += idle_s
        pacing = pacing.now(now)
        wait_s = pacing.wait_s
        assert wait_s is not None
        now += wait_s
        pacing = pacing.now(now)
        if not pacing.may_pass:  # a rounding of the last digit
            now += 1e-6
            pacing = pacing.now(now)
        assert pacing.may_pass
        pacing = pacing.taken(byte_count)
        told.append((now, byte_count))
    return told


@given(limits, st.lists(st.tuples(st.floats(0, 5), pieces), min_size=1, max_size=60))
def test_no_span_lets_more_through_than_its_length_allows(
    limit: float, wanted: list[tuple[float, int]]
) -> None:
    told = passed(Pacing(limit=limit), wanted)
    for first in range(len(told)):
        total = 0
        for at_s, byte_count in told[first:]:
            total += byte_count
            span_s = at_s - told[first][0]
            assert total <= limit * (span_s + BURST_S) + LARGEST_PIECE + 1


@given(limits, st.lists(pieces, min_size=200, max_size=200))
def test_who_always_has_something_to_send_gets_the_whole_limit(
    limit: float, wanted: list[int]
) -> None:
    told = passed(Pacing(limit=limit), [(0.0, one) for one in wanted])
    took_s = told[-1][0]
    assert sum(wanted[:-1]) >= limit * (took_s - BURST_S) * 0.999 - 1


@given(limits, limits, pieces)
def test_another_limit_counts_at_once(limit: float, other: float, owed: int) -> None:
    pacing = Pacing(limit=limit).taken(owed).limited_to(other, 0.0)
    assert pacing.wait_s is not None
    assert pacing.wait_s <= owed / other + 1e-9


def test_the_ends_of_the_scale() -> None:
    whole = Pacing().taken(10**12)
    assert (whole.may_pass, whole.wait_s) == (True, 0.0)
    shut = whole.limited_to(0.0, 5.0)
    assert (shut.may_pass, shut.wait_s) == (False, None)
    assert shut.now(1e6).may_pass is False
    opened = shut.limited_to(None, 6.0)
    assert opened.may_pass
    assert opened.limited_to(1000.0, 7.0).level == 0.0, "nothing gathers while nothing is counted"
    assert Pacing(limit=10.0, at_s=5.0).now(3.0).level == 0.0, (
        "a stopwatch that goes back adds nothing"
    )
    assert [piece(None), piece(0), piece(8_000), piece(1e9)] == [
        None,
        SMALLEST_PIECE,
        SMALLEST_PIECE,
        LARGEST_PIECE,
    ]
