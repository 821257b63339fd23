"""Rules over all that is said of a drive, whatever was seen of it."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from random import Random
from typing import TypeVar

from hypothesis import given, strategies as st

from backupkeeper.core.model import Result
from backupkeeper.core.sightings import BadReading
from backupkeeper.core.trends import SEVERITY, Level, Seen, SmartSigns, advice

NOW = datetime(2026, 6, 20, 12, tzinfo=UTC)
One = TypeVar("One")


def mixed(told: Sequence[One], chance: Random) -> tuple[One, ...]:
    """The same in another order."""
    return tuple(chance.sample(told, len(told)))


times = st.integers(0, 400).map(lambda hours: NOW - timedelta(hours=7 * hours))
readings = st.tuples(times, st.sampled_from(Result), st.sampled_from("abc"))
counts = st.none() | st.integers(0, 5)
answers = st.none() | st.builds(
    SmartSigns,
    passed=st.none() | st.booleans(),
    pending=counts,
    reallocated=counts,
    uncorrectable=counts,
    cable_errors=counts,
    media_errors=counts,
    wear_percent=st.none() | st.integers(90, 110),
    power_on_hours=st.none() | st.integers(49_990, 50_010),
    critical=st.sampled_from([(), ("It has gone read-only.",)]),
    at=times,
    warnings=st.sampled_from([(), ("It is too hot.",)]),
)
drives = st.builds(
    Seen,
    bad=st.lists(readings, max_size=6).map(tuple),
    reads=st.integers(0, 3),
    rates=st.lists(st.tuples(times, st.floats(1, 1e9)), max_size=10).map(tuple),
    smart=answers,
    first_seen=st.integers(3640, 3660).map(lambda days: NOW - timedelta(days=days)),
)


@given(drives, answers, readings, st.integers(0, 6))
def test_one_more_bad_reading_never_makes_the_advice_milder(
    seen: Seen, earlier: SmartSigns | None, reading: BadReading, at: int
) -> None:
    more = replace(seen, bad=(*seen.bad[:at], reading, *seen.bad[at:]))
    before, after = (advice(one, NOW, earlier=earlier).level for one in (seen, more))
    assert SEVERITY[before] <= SEVERITY[after]


@given(drives, answers, st.randoms(use_true_random=False))
def test_the_order_of_what_is_handed_in_is_of_no_account(
    seen: Seen, earlier: SmartSigns | None, chance: Random
) -> None:
    shuffled = replace(seen, bad=mixed(seen.bad, chance), rates=mixed(seen.rates, chance))
    assert advice(shuffled, NOW, earlier=earlier) == advice(seen, NOW, earlier=earlier)


@given(drives, answers)
def test_every_advice_has_reasons_and_each_is_one_sentence(
    seen: Seen, earlier: SmartSigns | None
) -> None:
    told = advice(seen, NOW, earlier=earlier)
    assert told.reasons
    assert len(set(told.reasons)) == len(told.reasons)
    for reason in told.reasons:
        assert reason.endswith(".")
        assert ". " not in reason
        assert reason[0].isupper() or reason[0].isdigit()


@given(drives, answers)
def test_replace_is_said_with_strong_reasons_only(seen: Seen, earlier: SmartSigns | None) -> None:
    if advice(seen, NOW, earlier=earlier).level is not Level.REPLACE:
        return
    smart, kinds = seen.smart, [kind for _, kind, _ in seen.bad]
    says = smart is not None and (smart.passed is False or smart.critical != ())
    sectors = smart is not None and any((smart.pending, smart.uncorrectable, smart.media_errors))
    unreadable = kinds.count(Result.UNREADABLE)
    changed = kinds.count(Result.DAMAGED) + kinds.count(Result.CUT_OFF)
    backed = unreadable > 0 or (earlier is not None and smart is not None and earlier.at < smart.at)
    assert says or (sectors and backed) or unreadable > 1 or changed > 1


@given(drives, answers)
def test_what_is_said_is_fit_for_any_terminal(seen: Seen, earlier: SmartSigns | None) -> None:
    told = advice(seen, NOW, earlier=earlier)
    assert all(one.isascii() and one.isprintable() for one in (told.words, *told.reasons))
