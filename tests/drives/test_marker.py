"""A place's marker: written by us, read from anybody."""

import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.errors import MarkerError, UsageError
from backupkeeper.core.model import PlaceId, Role
from backupkeeper.drives.marker import MARKER_LIMIT_BYTES, Marker, decode_marker, encode_marker

ID = "6f1c2a54-3a4e-4a55-9d6e-0a4b8f1f2c3d"
GOOD: dict[str, object] = {
    "version": 1,
    "id": ID,
    "name": "Main drive",
    "role": "primary",
    "created": "2026-06-12T18:00:00Z",
}
MARKER = Marker(
    id=PlaceId(ID),
    name="Main drive",
    role=Role.PRIMARY,
    created=datetime(2026, 6, 12, 18, tzinfo=UTC),
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=6,
)


def changed(**values: object) -> bytes:
    return json.dumps(GOOD | values).encode()


def test_a_marker_is_plain_json_that_anybody_can_read() -> None:
    data = encode_marker(MARKER)
    assert json.loads(data) == GOOD
    assert data.endswith(b"}\n")


@given(
    st.uuids(),
    st.sampled_from(Role),
    st.datetimes(),
    st.text("abé \u4e00'\"\\", min_size=1, max_size=30),
)
def test_what_was_written_is_read(uid: object, role: Role, at: datetime, name: str) -> None:
    marker = Marker(
        id=PlaceId(str(uid)), name="x" + name + "x", role=role, created=at.replace(tzinfo=UTC)
    )
    assert decode_marker(encode_marker(marker)).id == marker.id
    assert decode_marker(encode_marker(marker)) == marker


def test_a_time_of_another_zone_is_the_same_time() -> None:
    other = datetime(2026, 6, 12, 20, tzinfo=timezone(timedelta(hours=2)))
    marker = Marker(id=PlaceId(ID), name="Main drive", role=Role.PRIMARY, created=other)
    assert encode_marker(marker) == encode_marker(MARKER)
    assert decode_marker(changed(created="2026-06-12T20:00:00+02:00")) == MARKER


def test_keys_of_a_later_day_are_passed_over() -> None:
    assert decode_marker(changed(colour="red")) == MARKER


def test_a_name_that_spoils_a_report_is_never_written() -> None:
    with pytest.raises(UsageError):
        encode_marker(
            Marker(id=PlaceId(ID), name="a\x1b[2J", role=Role.PRIMARY, created=MARKER.created)
        )


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"null",
        b"[]",
        b'"text"',
        b"{",
        b"\xff\xfe{}",
        b"\xef\xbb\xbf" + changed(),
        b"[" * MARKER_LIMIT_BYTES,
        b'{"a":' * 2000,
        b"9" * 5000,
        b'{"version":' + b"9" * 5000 + b"}",
        b" " * (MARKER_LIMIT_BYTES + 1),
        changed() + b" " * MARKER_LIMIT_BYTES,
        changed()[:-1] + b', "id": "' + ID.encode() + b'"}',
        changed(version=2),
        changed(version=0),
        changed(version=True),
        changed(version=1.0),
        changed(version="1"),
        changed(version=None),
        changed(id=7),
        changed(id="../../etc/passwd"),
        changed(id=ID.upper()),
        changed(id=ID + "\n"),
        changed(id="{" + ID + "}"),
        changed(name=None),
        changed(name=""),
        changed(name="x" * 101),
        changed(name="a\x1b[31m"),
        changed(name="a\nb"),
        changed(name="a\u202eb"),
        changed(name="\ud800"),
        changed(role="owner"),
        changed(role=["primary"]),
        changed(created="yesterday"),
        changed(created="2026-06-12T18:00:00"),
        changed(created="0001-01-01T00:00:00+23:59"),
        changed(created="9999-12-31T23:59:59-23:59"),
        changed(created=0),
        json.dumps({key: GOOD[key] for key in GOOD if key != "id"}).encode(),
    ],
)
def test_a_marker_that_can_not_be_right_is_refused_in_words_that_can_be_printed(
    data: bytes,
) -> None:
    with pytest.raises(MarkerError) as caught:
        decode_marker(data)
    assert str(caught.value).isprintable()


@given(st.binary(max_size=200))
def test_any_bytes_at_all_are_refused_or_read(data: bytes) -> None:
    with pytest.raises(MarkerError):
        decode_marker(data)


@given(st.dictionaries(st.sampled_from(list(GOOD)), JSON, max_size=5))
def test_any_values_at_all_are_refused_or_read(values: dict[str, object]) -> None:
    try:
        marker = decode_marker(changed(**values))
    except MarkerError:
        return
    assert marker.name.isprintable()
    assert marker.created.tzinfo is UTC


@given(st.integers(0, len(changed()) - 1), st.integers(0, 255))
def test_one_wrong_byte_never_raises_anything_else(at: int, byte: int) -> None:
    data = bytearray(changed())
    data[at] = byte
    try:
        decode_marker(bytes(data))
    except MarkerError as error:
        assert error.message  # noqa: PT017 - both ends are right; no third one is
