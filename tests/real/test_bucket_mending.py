"""Mending from and in a bucket, on a real store: what travels, and what stays when the line breaks."""

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import pytest

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import (
    BackupkeeperError,
    BucketUnreachableError,
    SourceChangedError,
)
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.bucket import ObjectEntry
from tests.cloud.line import Line, line_to
from tests.real.store import Opener, Server, blocks_of, content_of, made_up

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = pytest.mark.real("store")

KEY = "260612 Boatyard/Originals/Wide/Roll 01/WIDE0007.MP4"
STORED = f"shelf/{KEY}"
HEADERS = 8 * 1024
"""More than the headers of a few answers: seen are 400 to 700 bytes each."""


@pytest.fixture
def name(radosgw: Server) -> str:
    return radosgw.new_bucket()


@pytest.fixture
def line(radosgw: Server) -> Iterator[Line]:
    with line_to(radosgw.url) as line:
        yield line


@pytest.fixture(scope="module")
def known() -> dict[str, Any]:
    """What was found out about the store, so that not every test finds it out."""
    return {}


@pytest.fixture
def bucket(opened: Opener, line: Line, name: str, known: dict[str, Any]) -> S3Bucket:
    bucket = opened(line.url, f"{name}/shelf")
    if not known:
        known |= {"can": bucket.capabilities(), "heeded": bucket._conditions()}
    bucket._can, bucket._heeded = known["can"], known["heeded"]
    return bucket


def looked(bucket: S3Bucket) -> ObjectEntry:
    entry = bucket.look(KEY)
    assert entry is not None
    return entry


def body(server: Server, name: str, key: str = STORED) -> bytes:
    data: bytes = server.client.get_object(Bucket=name, Key=key)["Body"].read()
    return data


def copies(server: Server, name: str) -> list[str]:
    return [key for key in server.keys(name) if key.startswith("shelf/.backupkeeper/set-aside/")]


@pytest.mark.slow
def test_one_bad_block_of_a_large_object_costs_one_block(
    bucket: S3Bucket, radosgw: Server, line: Line, name: str
) -> None:
    # What travels does not depend on the object's size, so for 10 GB it is the same.
    size, number = 300 * 1024 * 1024 + 12_345, 41
    data = made_up(size)
    content = content_of(data)
    bucket.send(KEY, content, blocks_of(data))
    line.forget()
    entry = looked(bucket)
    start = number * BLOCK_BYTES
    got = b"".join(bucket.fetch_range(KEY, entry, start, start + BLOCK_BYTES))
    assert got == data[start : start + BLOCK_BYTES]
    assert BLOCK_BYTES <= line.received <= BLOCK_BYTES + HEADERS
    last = len(data) // BLOCK_BYTES * BLOCK_BYTES
    line.forget()
    assert b"".join(bucket.fetch_range(KEY, entry, last, size)) == data[last:]
    assert line.received <= size - last + HEADERS


@pytest.mark.parametrize("cut_at", [1, 300, 70_000, BLOCK_BYTES, 2 * BLOCK_BYTES - 1])
@pytest.mark.parametrize("times", [1, 3])
def test_a_line_that_breaks_is_taken_up_where_it_was(
    bucket: S3Bucket, radosgw: Server, line: Line, name: str, cut_at: int, times: int
) -> None:
    data = made_up(4 * BLOCK_BYTES)
    radosgw.client.put_object(Bucket=name, Key=STORED, Body=data)
    entry = looked(bucket)
    line.forget()
    line.cut_at, line.times = cut_at, times
    got = b"".join(bucket.fetch_range(KEY, entry, 100, 3 * BLOCK_BYTES))
    assert got == data[100 : 3 * BLOCK_BYTES]
    assert 1 <= line.cuts <= times
    # A break loses what the library held of a piece, and what was on its way.
    assert line.received <= len(got) + times * 512 * 1024 + HEADERS


def test_a_line_that_brings_nothing_on_is_given_up(
    bucket: S3Bucket, radosgw: Server, line: Line, name: str
) -> None:
    radosgw.client.put_object(Bucket=name, Key=STORED, Body=made_up(2 * BLOCK_BYTES))
    entry = looked(bucket)
    line.cut_at, line.times = 2_000, 1_000
    with pytest.raises(BucketUnreachableError, match="broke"):
        list(bucket.fetch_range(KEY, entry, 0, BLOCK_BYTES))
    assert line.cuts < 20


def test_a_span_that_is_given_up_costs_no_more_than_was_on_its_way(
    bucket: S3Bucket, radosgw: Server, line: Line, name: str
) -> None:
    radosgw.client.put_object(Bucket=name, Key=STORED, Body=made_up(16 * BLOCK_BYTES))
    spans = bucket.fetch_range(KEY, looked(bucket), 0, 16 * BLOCK_BYTES)
    line.forget()
    assert len(next(iter(spans))) == BLOCK_BYTES
    spans.close()  # type: ignore[attr-defined]  # a generator, seen from behind the port
    assert line.received < 8 * BLOCK_BYTES


@pytest.mark.parametrize("in_parts", [False, True])
def test_setting_aside_moves_no_bytes_over_the_line(
    bucket: S3Bucket,
    radosgw: Server,
    line: Line,
    name: str,
    in_parts: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    if in_parts:
        monkeypatch.setattr("backupkeeper.cloud.aside.COPY_AT_ONCE", BLOCK_BYTES)
        monkeypatch.setattr("backupkeeper.cloud.aside.COPY_PART", BLOCK_BYTES)
    data = made_up(5 * BLOCK_BYTES + 1)
    radosgw.client.put_object(Bucket=name, Key=STORED, Body=data)
    entry = looked(bucket)
    line.forget()
    kept = bucket.set_aside(KEY, entry)
    assert line.received + line.sent < 10 * HEADERS
    assert body(radosgw, name, f"shelf/{kept}") == data


def nothing_begun(server: Server, name: str) -> bool:
    """No upload holds bytes; one whose id was lost on its way here may be left, empty."""
    uploads = server.client.list_multipart_uploads(Bucket=name).get("Uploads", [])
    return len(uploads) <= 1 and not any(
        server.client.list_parts(Bucket=name, Key=one["Key"], UploadId=one["UploadId"]).get("Parts")
        for one in uploads
    )


@dataclass(frozen=True, kw_only=True)
class Break:
    """Which requests meet a broken line, when, and how often."""

    needle: bytes
    answer_lost: bool
    times: int

    def __str__(self) -> str:
        how = "answer lost" if self.answer_lost else "cut"
        return f"{self.needle.decode()} {how} {self.times}"

    def put_in(self, line: Line) -> None:
        line.needle, line.answer_lost, line.times = self.needle, self.answer_lost, self.times


def breaks(*needles: bytes) -> list[Break]:
    return [
        Break(needle=needle, answer_lost=lost, times=times)
        for needle in needles
        for lost in (False, True)
        for times in (1, 50)
    ]


ASIDE = [(one, False) for one in breaks(b"copy-source:", b"HEAD /")]
ASIDE += [(one, True) for one in breaks(b"copy-source:", b"?uploads", b"uploadId=", b"HEAD /")]


@pytest.mark.slow
@pytest.mark.parametrize(("broken", "in_parts"), ASIDE, ids=str)
def test_setting_aside_that_is_interrupted_leaves_a_whole_copy_or_none(
    bucket: S3Bucket,
    radosgw: Server,
    line: Line,
    name: str,
    broken: Break,
    in_parts: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    if in_parts:
        monkeypatch.setattr("backupkeeper.cloud.aside.COPY_AT_ONCE", BLOCK_BYTES)
        monkeypatch.setattr("backupkeeper.cloud.aside.COPY_PART", BLOCK_BYTES)
    data = made_up(2 * BLOCK_BYTES + 1)
    radosgw.client.put_object(Bucket=name, Key=STORED, Body=data)
    entry = looked(bucket)
    broken.put_in(line)
    kept = None
    with suppress(BucketUnreachableError):
        kept = bucket.set_aside(KEY, entry)
    was_down = line.cuts >= 3
    assert (kept is not None) or was_down  # fewer breaks than attempts are made up for
    line.times = 0
    assert body(radosgw, name) == data
    assert looked(bucket) == entry
    left = copies(radosgw, name)
    assert len(left) <= 1
    assert kept is None or left == [f"shelf/{kept}"]
    assert all(body(radosgw, name, key) == data for key in left)
    # Only where no word came through any more could nothing be removed.
    assert was_down or nothing_begun(radosgw, name)


REPLACING = [(one, 100) for one in breaks(b"PUT /", b"HEAD /")]
REPLACING += [
    (one, 4 * BLOCK_BYTES)
    for one in breaks(b"PUT /", b"<CompleteMultipartUpload", b"?uploads", b"HEAD /")
]


@pytest.mark.slow
@pytest.mark.parametrize(("broken", "size"), REPLACING, ids=str)
def test_a_replacement_that_is_interrupted_leaves_the_old_object_or_the_new(
    bucket: S3Bucket, radosgw: Server, line: Line, name: str, broken: Break, size: int
) -> None:
    old, new = made_up(size, seed=9), made_up(size)
    bucket.send(KEY, content_of(old), blocks_of(old))
    entry = looked(bucket)
    broken.put_in(line)
    sent = None
    with suppress(BackupkeeperError):
        sent = bucket.send(KEY, content_of(new), blocks_of(new), replacing=entry)
    was_down = line.cuts >= 3
    assert (sent is not None) or was_down
    line.times = 0
    there = body(radosgw, name)
    if sent is None:
        assert there in {old, new}
    else:
        assert there == new
        assert looked(bucket) == sent.entry
        assert "x-amz-content-sha256" in sent.attested_by
    assert was_down or nothing_begun(radosgw, name)


def test_ctrl_c_while_setting_aside_in_parts_leaves_nothing(
    bucket: S3Bucket, radosgw: Server, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("backupkeeper.cloud.aside.COPY_AT_ONCE", BLOCK_BYTES)
    monkeypatch.setattr("backupkeeper.cloud.aside.COPY_PART", BLOCK_BYTES)
    data = made_up(5 * BLOCK_BYTES)
    radosgw.client.put_object(Bucket=name, Key=STORED, Body=data)
    asked: list[str] = []

    def interrupt(request: object, **_: object) -> None:
        asked.append("part")
        if len(asked) == 2:
            raise KeyboardInterrupt

    bucket._store.client.meta.events.register("before-send.s3.UploadPartCopy", interrupt)
    with pytest.raises(KeyboardInterrupt):
        bucket.set_aside(KEY, looked(bucket))
    assert copies(radosgw, name) == []
    assert radosgw.uploads(name) == []
    assert body(radosgw, name) == data


def test_mending_without_the_right_to_is_told(
    radosgw: Server, opened: Opener, name: str, credentials: pytest.MonkeyPatch
) -> None:
    data = made_up(100)
    owner = opened(radosgw.url, f"{name}/shelf")
    entry = owner.send(KEY, content_of(data), blocks_of(data)).entry
    credentials.setenv("AWS_ACCESS_KEY_ID", "locked")
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "lockedsecret")
    locked = opened(radosgw.url, f"{name}/shelf")
    for deed in (
        lambda: list(locked.fetch_range(KEY, entry, 0, 10)),
        lambda: locked.set_aside(KEY, entry),
        lambda: locked.send(KEY, content_of(data), blocks_of(data), replacing=entry),
    ):
        with pytest.raises(BucketUnreachableError, match=r"not allowed .* \(AccessDenied"):
            deed()


def test_an_object_cut_short_meanwhile_is_another_object(
    bucket: S3Bucket, radosgw: Server, name: str
) -> None:
    radosgw.client.put_object(Bucket=name, Key=STORED, Body=made_up(2 * BLOCK_BYTES))
    entry = looked(bucket)
    radosgw.client.put_object(Bucket=name, Key=STORED, Body=b"short")
    with pytest.raises(SourceChangedError):
        list(bucket.fetch_range(KEY, entry, BLOCK_BYTES, 2 * BLOCK_BYTES))
