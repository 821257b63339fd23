"""Notes on uploads for other machines: written by us, read from anybody."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.errors import HostileInputError
from backupkeeper.core.model import BLOCK_BYTES, Blake3
from backupkeeper.core.upload_notes import (
    FOLDER,
    NOTE_LIMIT_BYTES,
    Noted,
    is_note,
    note_path,
    read_note,
    written_note,
)
from backupkeeper.core.uploads import Begun

NOW = datetime(2026, 6, 12, 18, tzinfo=UTC)
CATALOG = "0123456789abcdef" * 2
ENTRY: dict[str, object] = {
    "path": "260612 Boatyard/Originals/Wide/Roll 01/A001.MP4",
    "size": 40_000_000,
    "blake3": "ab" * 32,
    "upload": "2~an-id.of_the/store=",
    "part_bytes": 4 * BLOCK_BYTES,
    "check": None,
    "ticket": "6f1c2a54-3a4e-4a55-9d6e-0a4b8f1f2c3d",
    "begun": "2026-06-12T18:00:00Z",
}
NOTED = Noted(
    begun=Begun(
        key="260612 Boatyard/Originals/Wide/Roll 01/A001.MP4",
        content=Blake3("ab" * 32),
        upload="2~an-id.of_the/store=",
        part_bytes=4 * BLOCK_BYTES,
        check=None,
        enforced=(),
        ticket="6f1c2a54-3a4e-4a55-9d6e-0a4b8f1f2c3d",
        begun_at=NOW,
    ),
    size=40_000_000,
)
WRONG: tuple[object, ...] = (7.5, [], {}, True, "", "\x00", -1, 0)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=6,
)


def note(*entries: object, **values: object) -> bytes:
    return json.dumps({"version": 1, "uploads": list(entries)} | values).encode()


def test_a_note_is_plain_json_that_anybody_can_read() -> None:
    data = written_note(CATALOG, [NOTED], NOW)
    assert json.loads(data) == {
        "version": 1,
        "catalog": CATALOG,
        "written": "2026-06-12T18:00:00Z",
        "uploads": [ENTRY],
    }


@given(
    st.text(st.characters(exclude_categories=["Cs"]) | st.characters(min_codepoint=0xDC80, max_codepoint=0xDCFF)),
    st.integers(1, 10**13),
    st.datetimes(),
    st.none() | st.sampled_from(["sha256", "crc32", "crc64nvme"]),
)  # fmt: skip
def test_what_was_written_is_read(path: str, size: int, at: datetime, check: str | None) -> None:
    begun = replace(NOTED.begun, key=path, begun_at=at.replace(tzinfo=UTC), check=check)
    noted = Noted(begun=begun, size=size)
    assert read_note(written_note(CATALOG, [noted], NOW)) == (noted,)


def test_what_the_store_was_said_to_enforce_is_not_told() -> None:
    begun = replace(NOTED.begun, enforced=("content-md5", "sha256"))
    assert read_note(written_note(CATALOG, [replace(NOTED, begun=begun)], NOW)) == (NOTED,)
    assert read_note(note(ENTRY | {"enforced": ["content-md5"]})) == (NOTED,)


def test_of_more_than_fit_the_newest_are_told() -> None:
    every = [
        Noted(
            begun=replace(
                NOTED.begun, upload=str(number), begun_at=NOW + timedelta(minutes=number)
            ),
            size=number + 1,
        )
        for number in range(400)
    ]
    data = written_note(CATALOG, every, NOW)
    assert NOTE_LIMIT_BYTES - 400 < len(data) <= NOTE_LIMIT_BYTES
    told = read_note(data)
    assert told == tuple(reversed(every[-len(told) :]))
    assert len(told) > 100


def test_what_nobody_would_take_is_not_told() -> None:
    strange = replace(NOTED, begun=replace(NOTED.begun, upload="with\nlines"))
    assert read_note(written_note(CATALOG, [strange, NOTED], NOW)) == (NOTED,)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        *((key, value) for key in ENTRY for value in WRONG),
        *((key, None) for key in ENTRY if key != "check"),
        ("size", 10**20),
        ("part_bytes", 10**12),
        ("blake3", "AB" * 32),
        ("upload", "x" * 1025),
        ("upload", "a&b\r\nc"),
        ("upload", "ü"),
        ("ticket", "../../etc/passwd"),
        ("check", "SHA-256"),
        ("begun", "2026-06-12T18:00:00"),
        ("begun", "0001-01-01T00:00:00+23:59"),
        ("begun", "yesterday"),
    ],
)
def test_an_entry_that_can_not_be_right_is_passed_over_and_the_others_are_read(
    key: str, value: object
) -> None:
    if key == "path" and isinstance(value, str):
        return  # only ever compared
    assert read_note(note(ENTRY | {key: value}, ENTRY)) == (NOTED,)
    left_out = {name: one for name, one in ENTRY.items() if name != key}
    assert read_note(note(left_out, ENTRY)) == ((NOTED,) if key != "check" else (NOTED, NOTED))


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(b"\xff\xfe", id="no text"),
        pytest.param(b"{", id="cut off"),
        pytest.param(b"[" * 40_000, id="deeper than anybody reads"),
        pytest.param(b"1" * 5_000, id="a number too long"),
        pytest.param(b"[]", id="a list"),
        pytest.param(b"null", id="null"),
        pytest.param(note(version=2), id="another version"),
        pytest.param(note(version=True), id="a version that is none"),
        pytest.param(note(version="1"), id="a version in words"),
        pytest.param(note(uploads={}), id="uploads in no list"),
        pytest.param(note(uploads=None), id="no uploads"),
        pytest.param(note() + b" " * NOTE_LIMIT_BYTES, id="too long"),
    ],
)
def test_what_is_no_note_is_refused(data: bytes) -> None:
    with pytest.raises(HostileInputError):
        read_note(data)


@given(st.binary(max_size=60) | JSON.map(lambda value: json.dumps(value).encode()))
def test_any_bytes_are_a_note_or_refused(data: bytes) -> None:
    with pytest.raises(HostileInputError):
        read_note(data)


@given(JSON, st.sampled_from(sorted(ENTRY)))
def test_any_value_in_an_entry_is_read_or_passed_over(value: object, key: str) -> None:
    found = read_note(note(value, ENTRY | {key: value}, ENTRY))
    assert found[-1] == NOTED
    assert len(found) <= 2


@pytest.mark.parametrize(
    ("path", "is_one"),
    [
        (note_path(CATALOG), True),
        (f"{FOLDER}/{CATALOG}.json.age", False),
        (f"{FOLDER}/deeper/{CATALOG}.json", False),
        (f"{FOLDER}/../{CATALOG}.json", False),
        (f"{FOLDER}/{CATALOG.upper()}.json", False),
        (f"elsewhere/{CATALOG}.json", False),
        (f"{FOLDER}/{CATALOG}", False),
    ],
)
def test_a_note_is_known_by_its_name(path: str, is_one: bool) -> None:
    assert is_note(path) is is_one
