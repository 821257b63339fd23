"""When a bucket will have all, in words."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.arrival import HELD, NOT_MEASURED, Arrival
from backupkeeper.report.arrivals import _rounded, arrival_text

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 6, 9, 16, 2, tzinfo=UTC)  # Tuesday, 18:02 in Berlin
GB = 10**9


def at(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 6, day, hour, minute, tzinfo=BERLIN).astimezone(UTC)


@pytest.mark.parametrize(
    ("earliest", "latest", "words"),
    [
        (at(11, 2, 20), at(12, 8, 10), "done between Thursday 02:00 and Friday 09:00."),
        (at(9, 19, 3), at(9, 19, 33), "done between 19:00 and 19:35."),
        (at(9, 18, 3), at(9, 18, 4), "done between 18:02 and 18:05."),
        (at(9, 23, 58), at(10, 0, 1), "done between 23:55 and Wednesday 00:05."),
        (at(20, 2), at(30, 2), "done between 2026-06-20 02:00 and 2026-06-30 02:00."),
        (at(9, 19), at(9, 19), "done about 19:00."),
        (at(20, 2), None, "not done before 2026-06-20 02:00, perhaps in more than 60 days."),
        (None, None, "to go; that takes more than 60 days."),
    ],
)
def test_the_range_is_told_by_the_person_s_clock(
    earliest: datetime | None, latest: datetime | None, words: str
) -> None:
    told = arrival_text(
        Arrival(place="Off site", to_go=412 * GB, earliest=earliest, latest=latest), NOW, BERLIN
    )
    assert told.startswith("Off site: 412 GB to go")
    assert told.endswith(words)


@pytest.mark.parametrize("why", [NOT_MEASURED, HELD])
def test_what_is_not_known_is_told_as_that(why: str) -> None:
    told = arrival_text(Arrival(place="Off\nsite", to_go=GB, why=why), NOW, BERLIN)
    assert told == f"Off\\nsite: 1.00 GB to go; when that is done is {why}."


@given(st.integers(0, 10**6), st.integers(0, 10**6))
def test_rounding_makes_no_range_narrower_and_nothing_past(early: int, more: int) -> None:
    first = NOW + timedelta(seconds=early)
    last = first + timedelta(seconds=more)
    assert NOW <= _rounded(first, NOW, up=False) <= first
    assert _rounded(last, NOW, up=True) >= last
