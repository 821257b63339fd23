"""What may be used again of an upload that was begun before, and when it is given up."""

import hashlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import BLOCK_BYTES, Blake3
from backupkeeper.core.parts import LARGEST_PART, MOST_PARTS, SMALLEST_PART, USUAL_PART
from backupkeeper.core.uploads import (
    KEPT_FOR,
    Begun,
    Listed,
    arrived,
    can_go_on,
    can_take_up,
    is_stale,
    shown_by_list,
)

NOW = datetime(2026, 6, 12, 18, tzinfo=UTC)
PART = 4 * BLOCK_BYTES
BEGUN = Begun(
    key="260612 Boatyard/A001.MP4",
    content=Blake3("00" * 32),
    upload="an id",
    part_bytes=PART,
    check=None,
    enforced=("content-md5",),
    ticket="a ticket",
    begun_at=NOW,
)
MD5 = hashlib.md5(b"these bytes").hexdigest()
CHECKS = {"ContentMD5": "…", "ChecksumSHA256": "ours"}
LISTED = Listed(number=1, size=11, etag=MD5)


def is_there(listed: Listed | None, check: str | None = None) -> bool:
    return arrived(listed, size=11, md5=MD5, checks=CHECKS, check=check)


def test_a_part_of_the_same_bytes_is_not_sent_again() -> None:
    assert is_there(LISTED)


@pytest.mark.parametrize(
    "listed",
    [
        pytest.param(None, id="nothing is listed"),
        pytest.param(replace(LISTED, size=10), id="another size"),
        pytest.param(replace(LISTED, etag="0" * 32), id="another MD5"),
        pytest.param(replace(LISTED, etag="opaque"), id="an ETag that says nothing"),
        pytest.param(
            replace(LISTED, etag="opaque", checks={"ChecksumSHA256": "ours"}),
            id="a checksum that the store does not enforce",
        ),
    ],
)
def test_what_is_not_shown_to_be_there_is_sent_again(listed: Listed | None) -> None:
    assert not is_there(listed)


@pytest.mark.parametrize(
    ("listed", "there"),
    [
        pytest.param(LISTED, True, id="the MD5, and no checksum told"),
        pytest.param(replace(LISTED, checks={"ChecksumSHA256": "other"}), False, id="at odds"),
        pytest.param(replace(LISTED, etag="x", checks={"ChecksumSHA256": "ours"}), True, id="ours"),
        pytest.param(replace(LISTED, etag="x", checks={"ChecksumSHA256": "no"}), False, id="other"),
        pytest.param(replace(LISTED, etag="x"), False, id="nothing told"),
    ],
)
def test_an_enforced_checksum_speaks_where_it_is_told(listed: Listed, there: bool) -> None:
    assert is_there(listed, "ChecksumSHA256") is there


@given(st.binary(max_size=40), st.binary(max_size=40), st.booleans())
def test_other_bytes_are_never_taken_for_these(stored: bytes, read: bytes, told: bool) -> None:
    """Whatever the store has: only what it computed over the very bytes counts."""

    def check(data: bytes) -> dict[str, str]:
        return {"ChecksumSHA256": hashlib.sha256(data).hexdigest()}

    listed = Listed(
        number=1,
        size=len(stored),
        etag=hashlib.md5(stored).hexdigest(),
        checks=check(stored) if told else {},
    )
    for enforced in (None, "ChecksumSHA256"):
        there = arrived(
            listed,
            size=len(read),
            md5=hashlib.md5(read).hexdigest(),
            checks=check(read),
            check=enforced,
        )
        assert there is (stored == read)


@pytest.mark.parametrize(
    ("changes", "size", "check"),
    [
        pytest.param({"part_bytes": PART + 1}, 10 * PART, None, id="a block would be split"),
        pytest.param({"part_bytes": 0}, 10 * PART, None, id="no size"),
        pytest.param({"part_bytes": -PART}, 10 * PART, None, id="a negative size"),
        pytest.param({"part_bytes": BLOCK_BYTES}, 10 * PART, None, id="too small for a store"),
        pytest.param({"part_bytes": 2048 * PART}, 9000 * PART, None, id="too large for a store"),
        pytest.param({}, (MOST_PARTS + 1) * PART, None, id="too many parts"),
        pytest.param({}, PART, None, id="one part only"),
        pytest.param({}, 10 * PART, "sha256", id="another check by now"),
        pytest.param({"check": "sha256"}, 10 * PART, None, id="no check any more"),
    ],
)
def test_an_upload_that_does_not_fit_any_more_is_begun_anew(
    changes: dict[str, object], size: int, check: str | None
) -> None:
    assert not can_go_on(replace(BEGUN, **changes), size=size, check=check)  # type: ignore[arg-type]  # a table


@given(st.integers(2, MOST_PARTS))
def test_any_number_of_parts_that_a_store_takes_is_gone_on_with(count: int) -> None:
    assert PART >= SMALLEST_PART
    assert can_go_on(BEGUN, size=count * PART, check=None)
    assert can_go_on(BEGUN, size=count * PART - 1, check=None)


def test_parts_as_large_as_a_store_takes_are_gone_on_with() -> None:
    assert can_go_on(replace(BEGUN, part_bytes=LARGEST_PART), size=2 * LARGEST_PART, check=None)


TICK = timedelta(microseconds=1)


@pytest.mark.parametrize(
    ("age", "wanted", "there", "stale"),
    [
        (timedelta(days=900), True, False, False),
        (KEPT_FOR - TICK, False, False, False),
        (KEPT_FOR, False, False, True),
        (-KEPT_FOR, False, False, False),
        (TICK, False, True, True),
        (TICK, True, True, True),
    ],
)
def test_an_upload_is_given_up_once_its_file_is_there_or_long_unwanted(
    age: timedelta, wanted: bool, there: bool, stale: bool
) -> None:
    assert is_stale(BEGUN, NOW + age, wanted=wanted, there=there) is stale


@pytest.mark.parametrize(
    ("last_part", "stale"),
    [(None, True), (-TICK, True), (TICK, False), (timedelta(days=900), False)],
)
def test_an_unwanted_upload_at_which_another_machine_works_is_left_alone(
    last_part: timedelta | None, stale: bool
) -> None:
    last = None if last_part is None else NOW + last_part
    found = is_stale(BEGUN, NOW + KEPT_FOR, wanted=False, there=False, last_part=last)
    assert found is stale
    assert is_stale(BEGUN, NOW, wanted=False, there=True, last_part=last)


def test_another_machine_s_parts_are_no_larger_than_our_own_would_be() -> None:
    """Parts are held in memory: nobody's word makes them gigabytes."""
    usual = replace(BEGUN, part_bytes=USUAL_PART)
    large = replace(BEGUN, part_bytes=2 * USUAL_PART)
    assert can_take_up(usual, size=10 * USUAL_PART, check=None)
    assert can_go_on(large, size=10 * USUAL_PART, check=None)
    assert not can_take_up(large, size=10 * USUAL_PART, check=None)
    assert can_take_up(large, size=2 * MOST_PARTS * USUAL_PART, check=None)  # it needs them
    assert not can_take_up(usual, size=10 * USUAL_PART, check="sha256")


ENFORCED = ("content-md5", "x-amz-content-sha256", "sha256")
TOLD = replace(LISTED, checks={"ChecksumSHA256": "ours"})


@pytest.mark.parametrize(
    ("listed", "etag_is_md5", "check", "shown"),
    [
        pytest.param([], True, None, ENFORCED, id="no part of theirs"),
        pytest.param([LISTED], True, None, ("content-md5",), id="by MD5"),
        pytest.param([LISTED], False, None, (), id="ETags are no MD5s"),
        pytest.param([TOLD], False, "sha256", ("sha256",), id="by the check that is told"),
        pytest.param([TOLD], True, "sha256", ("content-md5", "sha256"), id="by both"),
        pytest.param([TOLD, LISTED], False, "sha256", (), id="not told of every part"),
        pytest.param([TOLD], False, "crc32", (), id="another check is told"),
    ],
)
def test_of_another_machine_s_parts_counts_what_the_list_shows(
    listed: list[Listed], etag_is_md5: bool, check: str | None, shown: tuple[str, ...]
) -> None:
    named = None if check is None else (check, {"sha256": "ChecksumSHA256"}.get(check, "Other"))
    found = shown_by_list(ENFORCED, listed, md5="content-md5", etag_is_md5=etag_is_md5, check=named)
    assert found == shown
    assert shown_by_list((), listed, md5="content-md5", etag_is_md5=True, check=named) == ()
