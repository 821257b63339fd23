"""What the turns of a moment tell, held against ``sample_due`` and the moments that it goes by."""

from datetime import UTC, datetime, timedelta

from blake3 import blake3
from hypothesis import given, settings, strategies as st

from backupkeeper.core.model import Blake3, Copy, CopyState, Fact, PlaceId, Result, Way
from backupkeeper.core.sampling import (
    NO_SAMPLING,
    Sampling,
    comes_round,
    comes_round_after,
    next_turn,
    sample_due,
    sample_since,
    turns,
    turns_change,
)

DAY = timedelta(days=1)
MICRO = timedelta(microseconds=1)
VAULT = PlaceId("vault")
BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
MOMENTS = st.integers(0, 9 * 366 * 24 * 60).map(
    lambda n: BEGIN + timedelta(minutes=n)
) | st.sampled_from([datetime(2027, 1, 1, tzinfo=UTC), datetime(2028, 12, 31, 23, 59, tzinfo=UTC)])
CONTENTS = st.integers(0, 10**9).map(lambda n: Blake3(blake3(b"%d" % n).hexdigest()))
SAMPLINGS = st.builds(Sampling, percent=st.sampled_from([0.0, 5.0, 50.0, 100.0])) | st.builds(
    Sampling, years=st.integers(1, 3)
)


def sent(content: Blake3, at: datetime) -> Copy:
    proof = Fact(
        at=at, place=VAULT, path="a", content=content, way=Way.ATTESTED, result=Result.MATCHES
    )
    return Copy(
        place=VAULT, path="a", content=content, state=CopyState.PROVEN, proof=proof, latest=proof
    )


def moments(content: Blake3, now: datetime, sampling: Sampling) -> list[datetime]:
    found = [turn.moment(content) for turn in turns(now, sampling)]
    return [at for at in found if at is not None]


def is_due(content: Blake3, at: datetime, now: datetime, sampling: Sampling) -> bool:
    """As whoever keeps the turns says it."""
    since = sample_since(now, sampling)
    last = max((one for one in moments(content, now, sampling) if since <= one <= now), default=at)
    return last > at or comes_round(now, at, sampling)


@settings(max_examples=300)
@given(CONTENTS, MOMENTS, st.integers(0, 900), SAMPLINGS)
def test_turns_tell_what_is_due(
    content: Blake3, now: datetime, days: int, sampling: Sampling
) -> None:
    at = now - days * DAY
    assert is_due(content, at, now, sampling) == sample_due(sent(content, at), now, sampling)


@settings(max_examples=300)
@given(CONTENTS, MOMENTS, st.integers(0, 900), SAMPLINGS, st.floats(0, 1))
def test_until_the_next_turn_time_alone_changes_nothing(
    content: Blake3, now: datetime, days: int, sampling: Sampling, share: float
) -> None:
    at = now - days * DAY
    edges = [
        next_turn(moments(content, now, sampling), now, sampling),
        turns_change(now, sampling),
        *(at + age for age in comes_round_after(sampling)),
    ]
    edge = min(one for one in edges if one is not None and one > now)
    before = sample_due(sent(content, at), now, sampling)
    for later in (edge - MICRO, now + (edge - now) * share - MICRO):
        assert sample_due(sent(content, at), max(later, now), sampling) == before


def test_without_a_sample_there_are_no_turns() -> None:
    now = datetime(2026, 6, 12, tzinfo=UTC)
    assert turns(now, NO_SAMPLING) == ()
    assert comes_round_after(NO_SAMPLING) == ()


def test_a_turn_is_known_by_its_name() -> None:
    now = datetime(2026, 2, 12, tzinfo=UTC)
    assert [one.name for one in turns(now, Sampling(percent=2.5))] == [
        "2.5 % in 2025",
        "2.5 % in 2026",
    ]
    months = 2025 * 12 + 10, 2025 * 12 + 11, 2026 * 12, 2026 * 12 + 1
    assert [one.name for one in turns(now, Sampling(years=3))] == [
        f"3 years, month {month}" for month in months
    ]


def test_the_first_and_the_last_year_of_all_are_no_trouble() -> None:
    first, last = datetime(1, 1, 1, tzinfo=UTC), datetime(9999, 6, 1, tzinfo=UTC)
    assert sample_since(first, Sampling(percent=100)) == first
    assert turns_change(last, Sampling(percent=100)) <= last
