"""Findings about a bucket: they come back from text as they were, and nothing else comes back."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.bucket_findings import (
    BELIEVED_FOR,
    BucketCheck,
    Findings,
    Step,
    Word,
    decoded,
    encoded,
)
from tests.core.made_findings import GOOD

NOW = datetime(2026, 6, 12, tzinfo=UTC)
numbers = st.none() | st.integers(-1_000_000, 10**9).map(lambda n: n / 4)
days = st.none() | st.integers(0, 36_500)
names = st.lists(st.text(max_size=20), max_size=4).map(tuple)
findings = st.builds(
    Findings,
    refuses=st.dictionaries(
        st.text(max_size=20), st.lists(st.sampled_from(Step), unique=True).map(tuple), max_size=4
    ),
    returns=names,
    left_behind=names,
    abort_days=days,
    deletes_days=days,
    skew_s=numbers,
    latency_s=numbers,
    put_rate=numbers,
    get_rate=numbers,
)


@given(findings)
def test_findings_come_back_as_they_were(one: Findings) -> None:
    assert decoded(encoded(one)) == one


@given(
    st.text()
    | st.recursive(st.none() | st.booleans() | st.integers() | st.text(), st.lists).map(json.dumps)
)
def test_text_that_is_no_findings_is_none(text: str) -> None:
    assert decoded(text) is None


anything = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.lists(st.integers())
)


@given(st.sampled_from(sorted(json.loads(encoded(GOOD)))), anything | st.just({"a": ["put", 1]}))
def test_one_wrong_value_makes_it_none_or_stays_a_right_kind(field: str, value: object) -> None:
    told = json.loads(encoded(GOOD)) | {field: value}
    found = decoded(json.dumps(told))
    assert found is None or decoded(encoded(found)) is not None


@pytest.mark.parametrize(
    "change",
    [
        {"form": 2},
        {"more": 1},
        {"versioning": 1},
        {"lock_default": 3},
        {"returns": "crc32"},
        {"returns": ["x"] * 201},
        {"refuses": {str(n): [] for n in range(201)}},
        {"refuses": []},
        {"refuses": {"crc32": ["nowhere"]}},
        {"object_lock": "maybe"},
        {"abort_days": True},
        {"abort_days": -1},
        {"latency_s": True},
        {"latency_s": float("nan")},
        {"latency_s": "fast"},
        {"lock_default": "x" * 20_000},
    ],
)
def test_a_wrong_value_is_not_believed(change: dict[str, object]) -> None:
    assert decoded(json.dumps(json.loads(encoded(GOOD)) | change)) is None


def test_a_field_that_is_not_there_is_not_made_up() -> None:
    told = json.loads(encoded(GOOD))
    del told["versioning"]
    assert decoded(json.dumps(told)) is None


def test_only_what_is_refused_on_put_and_on_part_counts() -> None:
    both, all_three = (Step.PUT, Step.PART), tuple(Step)
    one = replace(
        GOOD, refuses={"a": both, "b": all_three, "c": (Step.PUT,), "d": (Step.PART,), "e": ()}
    )
    assert one.refuses_wrong == {"a", "b"}


@pytest.mark.parametrize(
    ("change", "public"),
    [
        ({}, False),
        ({"read_by_anybody": True}, True),
        ({"public_policy": Word.YES}, False),
        ({"public_grants": Word.YES}, True),
        ({"public_grants": Word.NOT_ALLOWED, "public_policy": Word.NOT_OFFERED}, False),
    ],
)
def test_what_makes_it_public_and_what_does_not(
    change: dict[str, bool | Word], public: bool
) -> None:
    assert replace(GOOD, **change).is_public is public  # type: ignore[arg-type]  # a table of fields


@pytest.mark.parametrize(
    ("age", "fresh"),
    [
        (timedelta(0), True),
        (BELIEVED_FOR, True),
        (BELIEVED_FOR + timedelta(seconds=1), False),
        (timedelta(minutes=-59), True),
        (timedelta(hours=-2), False),
    ],
)
def test_findings_are_believed_for_thirty_days_and_not_from_the_future(
    age: timedelta, fresh: bool
) -> None:
    assert BucketCheck(at=NOW - age, findings=GOOD).is_fresh(NOW) is fresh


def test_a_check_without_findings_is_never_fresh() -> None:
    assert not BucketCheck().is_fresh(NOW)
    assert not BucketCheck(at=NOW).is_fresh(NOW)
