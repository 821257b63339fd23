"""How many requests travel at once: on lines that gain by more, lines that don't, and busy stores."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.crowding import (
    GAIN,
    REST,
    Crowding,
    after_round,
    after_too_much,
    beginning,
)

Line = Callable[[int], float]


def rounds(state: Crowding, line: Line, count: int) -> list[Crowding]:
    """The states of so many rounds on a line that carries so much for so many."""
    seen = [state]
    for _ in range(count):
        seen.append(after_round(seen[-1], line(seen[-1].allowed)))
    return seen


def settled(states: list[Crowding]) -> int:
    """How many travel in most of the last rounds."""
    last = [state.allowed for state in states[-(REST + 2) :]]
    return max(set(last), key=last.count)


@pytest.mark.parametrize(
    ("line", "most", "wanted"),
    [
        pytest.param(lambda at_once: 10.0, 32, 2, id="one fills the line"),
        pytest.param(lambda at_once: min(30.0, 10.0 * at_once), 32, 4, id="three fill the line"),
        pytest.param(lambda at_once: 10.0 * at_once, 32, 32, id="far away: the more the better"),
        pytest.param(lambda at_once: 10.0 * at_once, 5, 5, id="no more than the person allows"),
        pytest.param(lambda at_once: 10.0 * at_once, 1, 1, id="one at a time"),
        pytest.param(lambda at_once: 10.0 / at_once, 32, 2, id="more are in each other's way"),
    ],
)
def test_as_many_travel_as_help(line: Line, most: int, wanted: int) -> None:
    assert settled(rounds(beginning(most, 2), line, 60)) == wanted


@given(st.floats(1, 1000), st.floats(1, 1000), st.integers(1, 64), st.integers(1, 16))
def test_it_comes_near_to_what_the_line_can_carry(
    each: float, line: float, most: int, start: int
) -> None:
    def carried(at_once: int) -> float:
        return min(line, each * at_once)

    states = rounds(beginning(most, start), carried, 80)
    assert all(1 <= state.allowed <= most for state in states)
    assert carried(settled(states)) * GAIN * 1.0001 >= carried(most)


@given(st.integers(1, 64), st.integers(1, 64))
def test_a_store_that_asks_for_fewer_is_seldom_asked_for_more(most: int, bearable: int) -> None:
    state, too_many = beginning(most, 8), 0
    for _ in range(110):
        if state.allowed > bearable:
            too_many += 1
            state = after_too_much(state)
        else:
            state = after_round(state, float(state.allowed))
        assert 1 <= state.allowed <= most
    # At first by halves, then once in a rest.
    assert too_many <= 4 + 110 // REST


def test_a_line_that_grows_better_is_noticed() -> None:
    states = rounds(beginning(32, 2), lambda at_once: 10.0, 5)
    assert states[-1].allowed == 2
    later = rounds(states[-1], lambda at_once: 10.0 * at_once, 3 * REST)
    assert later[-1].allowed == 32


def test_what_did_not_help_rests_before_it_is_tried_again() -> None:
    states = rounds(beginning(32, 2), lambda at_once: 10.0, 2 * REST)
    tried = [number for number, state in enumerate(states) if state.allowed == 4]
    assert tried == [1, 1 + REST + 2]


@pytest.mark.parametrize(("most", "start", "allowed"), [(0, 2, 1), (1, 2, 1), (8, 2, 2), (8, 0, 1)])
def test_it_begins_with_at_least_one(most: int, start: int, allowed: int) -> None:
    assert beginning(most, start).allowed == allowed


def test_one_is_the_fewest() -> None:
    one = replace(beginning(8, 1), rest=0)
    assert after_too_much(one) == replace(one, rest=REST)
