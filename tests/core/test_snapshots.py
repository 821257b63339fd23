"""Snapshots' names, when one is due, and which need not stay."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import Blake3
from backupkeeper.core.snapshots import (
    BY_HAND_BYTES,
    DAY,
    FOLDER,
    KEPT_IN_BUCKETS,
    KEPT_ON_DRIVES,
    SMALL_BYTES,
    Kept,
    SnapshotMark,
    SnapshotName,
    due_at,
    is_due,
    newest_first,
    note_on,
    snapshot_name,
    superseded,
)

NOW = datetime(2026, 6, 12, 18, 0, tzinfo=UTC)
PAUSE = timedelta(minutes=15)
MINE, THEIRS = "a" * 32, "b" * 32
SMALL = SnapshotMark(text="now", size_bytes=SMALL_BYTES)
LARGE = SnapshotMark(text="now", size_bytes=SMALL_BYTES + 1)


def name(at: datetime, catalog: str = MINE) -> SnapshotName:
    return SnapshotName(taken_at=at, catalog=catalog, blake3=Blake3("0" * 64))


@given(
    st.datetimes(
        min_value=datetime(1000, 1, 1),  # noqa: DTZ001 - Hypothesis wants bounds without a zone
        timezones=st.just(UTC),
    )
)
def test_a_name_says_what_it_was_made_of(at: datetime) -> None:
    one = name(at)
    assert snapshot_name(one.text) == one
    assert one.path == f"{FOLDER}/{one.text}"


@given(st.lists(st.integers(0, 10**15), min_size=2, max_size=5))
def test_names_sort_by_time(micros: list[int]) -> None:
    names = [name(NOW + timedelta(microseconds=one)) for one in micros]
    assert sorted(names) == sorted(names, key=lambda one: one.text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "place.json",
        name(NOW).text + ".part",
        "x" + name(NOW).text,
        name(NOW).text.upper(),
        name(NOW).text.replace("20260612", "20261312"),
        name(NOW).text.replace("20260612", "٢٠٢٦٠٦١٢"),
        f"../{name(NOW).text}",
    ],
)
def test_what_is_no_snapshots_name_is_none(text: str) -> None:
    assert snapshot_name(text) is None


def test_a_place_without_one_is_due_at_once() -> None:
    for in_bucket in (True, False):
        at = due_at(None, LARGE, PAUSE, in_bucket=in_bucket, brought=False)
        assert is_due(at, NOW, None)


def test_a_place_that_has_what_there_is_is_never_due() -> None:
    kept = Kept(at=NOW - timedelta(days=900), mark="now")
    at = due_at(kept, SMALL, PAUSE, in_bucket=False, brought=True)
    assert at is None
    assert not is_due(at, NOW, kept)


@pytest.mark.parametrize(
    ("mark", "in_bucket", "brought", "after"),
    [
        (SMALL, False, False, PAUSE),
        (SMALL, True, False, PAUSE),
        (SMALL, False, True, timedelta(0)),
        (SMALL, True, True, timedelta(0)),
        (LARGE, False, False, PAUSE),
        (LARGE, False, True, PAUSE),
        (LARGE, True, False, DAY),
        (LARGE, True, True, DAY),
    ],
)
def test_how_long_a_place_goes_without(
    mark: SnapshotMark, in_bucket: bool, brought: bool, after: timedelta
) -> None:
    kept = Kept(at=NOW, mark="before")
    assert due_at(kept, mark, PAUSE, in_bucket=in_bucket, brought=brought) == NOW + after


def test_a_pause_longer_than_a_day_holds_for_buckets_too() -> None:
    kept = Kept(at=NOW, mark="before")
    at = due_at(kept, LARGE, timedelta(days=3), in_bucket=True, brought=False)
    assert at == NOW + timedelta(days=3)


def test_one_from_the_future_keeps_nobody_waiting() -> None:
    kept = Kept(at=NOW + timedelta(days=400), mark="before")
    assert is_due(due_at(kept, SMALL, PAUSE, in_bucket=True, brought=False), NOW, kept)
    fresh = Kept(at=NOW, mark="before")
    assert not is_due(due_at(fresh, SMALL, PAUSE, in_bucket=True, brought=False), NOW, fresh)


def test_what_is_worth_a_word() -> None:
    assert note_on("Main", None, SMALL, NOW).is_old
    current = note_on("Main", Kept(at=NOW - timedelta(days=99), mark="now"), SMALL, NOW)
    assert (current.is_current, current.is_old) == (True, False)
    fresh = note_on("Main", Kept(at=NOW - timedelta(hours=1), mark="before"), SMALL, NOW)
    assert (fresh.is_current, fresh.is_old) == (False, False)
    assert note_on("Main", Kept(at=NOW - timedelta(days=3), mark="before"), SMALL, NOW).is_old


def test_on_a_drive_the_newest_of_this_catalog_stay_and_all_of_others() -> None:
    names = [name(NOW + timedelta(hours=n)) for n in range(5)]
    others = [name(NOW - timedelta(days=n), THEIRS) for n in range(9)]
    gone = superseded([*others, *names], MINE, in_bucket=False)
    assert sorted(gone) == [one.text for one in names[:-KEPT_ON_DRIVES]]


def test_in_a_bucket_the_last_stay_and_before_them_one_of_every_month() -> None:
    """Two years of one each day."""
    names = [name(NOW - timedelta(days=n)) for n in range(730)]
    gone = set(superseded(names, MINE, in_bucket=True))
    left = [one for one in names if one.text not in gone]
    assert left[:KEPT_IN_BUCKETS] == names[:KEPT_IN_BUCKETS]
    months = [one.text[:6] for one in left[KEPT_IN_BUCKETS:]]
    assert len(months) == len(set(months))
    assert set(months) == {one.text[:6] for one in names[KEPT_IN_BUCKETS:]}
    for one in left[KEPT_IN_BUCKETS:]:  # the newest of its month, of those that are old
        later = [other for other in names[KEPT_IN_BUCKETS:] if other > one]
        assert all(other.text[:6] != one.text[:6] for other in later)
    assert set(superseded(left, MINE, in_bucket=True)) == set()


def test_by_catalog_the_newest_first_and_each_once() -> None:
    names = [name(NOW + timedelta(hours=n)) for n in range(3)]
    other = name(NOW, THEIRS)
    found = newest_first([names[1], other, names[0], names[2], names[0]])
    assert found == {MINE: names[::-1], THEIRS: [other]}


@pytest.mark.parametrize(
    ("size", "in_bucket", "after"),
    [
        (BY_HAND_BYTES, False, timedelta(0)),
        (BY_HAND_BYTES + 1, False, PAUSE),
        (BY_HAND_BYTES, True, timedelta(days=1)),
    ],
)
def test_what_a_person_typed_leaves_one_on_drives_at_once(
    size: int, in_bucket: bool, after: timedelta
) -> None:
    """An archive of 100,000 files, mirrored by hand: its catalog was lost minutes later."""
    kept = Kept(at=NOW, mark="before")
    mark = SnapshotMark(text="now", size_bytes=size)
    at = due_at(kept, mark, PAUSE, in_bucket=in_bucket, brought=True, by_hand=True)
    assert at == NOW + after
