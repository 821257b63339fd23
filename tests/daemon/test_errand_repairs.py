"""What a repair and a night's share need comes through to the worker: sources, and a moment."""

import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.errors import ListingError
from backupkeeper.core.model import PlaceId
from backupkeeper.daemon.errand import Errand, decode_errand, encode_errand
from tests.daemon.made_up import MAIN, OFF_SITE, TRAVEL

moments = st.datetimes(timezones=st.sampled_from([UTC, timezone(timedelta(hours=2))]))
names = st.text(max_size=8).map(PlaceId) | st.just(PlaceId("a\udc80b"))


@given(st.lists(names, max_size=4).map(tuple), st.none() | moments)
def test_sources_and_the_moment_come_through(
    sources: tuple[PlaceId, ...], before: datetime | None
) -> None:
    deed = Deed(kind=DeedKind.REPAIR, why="", place=MAIN, sources=sources, before=before)
    came = decode_errand(encode_errand(Errand(deed=deed))).deed
    assert came == deed
    assert came is not None
    assert came.places == tuple(dict.fromkeys((MAIN, *sources)))
    assert before is None or (came.before is not None and came.before.tzinfo is not None)


def spoilt(**changes: Any) -> bytes:
    deed = Deed(kind=DeedKind.REPAIR, why="", place=MAIN, sources=(TRAVEL, OFF_SITE))
    told = json.loads(encode_errand(Errand(deed=deed)))
    told["deed"] |= changes
    return json.dumps(told).encode()


@pytest.mark.parametrize(
    "changes",
    [
        {"before": "yesterday"},
        {"before": "2026-06-12T18:00:00"},  # nobody knows which zone
        {"before": 5},
        {"before": ["2026-06-12T18:00:00+00:00"]},
        {"sources": None},
        {"sources": 5},
        {"sources": [None]},
        {"sources": [["travel"]]},
    ],
    ids=str,
)
def test_other_moments_and_sources_are_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(ListingError):
        decode_errand(spoilt(**changes))
    assert decode_errand(spoilt()).deed is not None


def test_what_it_reads_from_makes_no_other_deed_of_it() -> None:
    """The same repair from other sources is not begun beside the one under way."""
    one = Deed(kind=DeedKind.REPAIR, why="", place=MAIN, sources=(TRAVEL,))
    other = Deed(kind=DeedKind.REPAIR, why="Now", place=MAIN, sources=(OFF_SITE,))
    assert one.key == other.key
