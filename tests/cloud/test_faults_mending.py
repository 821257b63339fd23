"""What goes wrong while an object is set aside or replaced: each fault put in at botocore's event."""

from collections.abc import Callable
from typing import Any

import pytest
from botocore.awsrequest import AWSResponse

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import (
    AsleepError,
    AttestationRefusedError,
    BackupkeeperError,
    BucketUnreachableError,
    NameTakenError,
    SourceChangedError,
)
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.bucket import ObjectEntry
from tests.real.store import Chance, Opener, Server, blocks_of, content_of, made_up
from tests.world.answers import answer, error
from tests.world.faults import CLOSED, put_in, raising

pytest_plugins = ["tests.real.store_fixtures"]

KEY = "A001.MP4"
OLD = made_up(3 * BLOCK_BYTES, seed=9)


@pytest.fixture
def name(moto: Server) -> str:
    return moto.new_bucket()


@pytest.fixture
def bucket(opened: Opener, moto: Server, name: str) -> S3Bucket:
    bucket = opened(moto.url, f"{name}/shelf")
    bucket._conditions()
    bucket.send(KEY, content_of(OLD), blocks_of(OLD))
    return bucket


@pytest.fixture
def entry(bucket: S3Bucket) -> ObjectEntry:
    found = bucket.look(KEY)
    assert found is not None
    return found


@pytest.fixture
def in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("backupkeeper.cloud.aside.COPY_AT_ONCE", BLOCK_BYTES)
    monkeypatch.setattr("backupkeeper.cloud.aside.COPY_PART", BLOCK_BYTES)


def only_the_old(moto: Server, name: str) -> None:
    assert moto.keys(name) == [f"shelf/{KEY}"]
    assert moto.client.get_object(Bucket=name, Key=f"shelf/{KEY}")["Body"].read() == OLD
    assert moto.uploads(name) == []


@pytest.mark.parametrize(
    ("status", "code", "kind", "words"),
    [
        (412, "PreconditionFailed", SourceChangedError, "not the object that was looked at"),
        (404, "NoSuchKey", SourceChangedError, "not the object that was looked at"),
        (403, "AccessDenied", BucketUnreachableError, "not allowed"),
        (403, "InvalidObjectState", AsleepError, "archive"),
        (501, "NotImplemented", BucketUnreachableError, "does not offer"),
        (200, "InternalError", BucketUnreachableError, "failed"),
    ],
)
def test_a_refusal_to_copy_is_told_and_nothing_stays(
    bucket: S3Bucket,
    entry: ObjectEntry,
    moto: Server,
    name: str,
    status: int,
    code: str,
    kind: type[BackupkeeperError],
    words: str,
) -> None:
    put_in(bucket, "CopyObject", lambda request: error(request.url, status, code))
    with pytest.raises(kind, match=words):
        bucket.set_aside(KEY, entry)
    only_the_old(moto, name)


@pytest.mark.parametrize(
    "operation", ["CreateMultipartUpload", "UploadPartCopy", "CompleteMultipartUpload"]
)
def test_a_refusal_midway_is_told_and_nothing_stays(
    bucket: S3Bucket, entry: ObjectEntry, moto: Server, name: str, operation: str, in_parts: None
) -> None:
    put_in(bucket, operation, lambda request: error(request.url, 403, "AccessDenied"))
    with pytest.raises(BucketUnreachableError, match="not allowed"):
        bucket.set_aside(KEY, entry)
    only_the_old(moto, name)


def test_an_upload_without_an_id_is_no_store_s(
    bucket: S3Bucket, entry: ObjectEntry, moto: Server, name: str, in_parts: None
) -> None:
    put_in(
        bucket,
        "CreateMultipartUpload",
        lambda r: answer(r.url, 200, "<InitiateMultipartUploadResult/>"),
    )
    with pytest.raises(BucketUnreachableError, match="an upload without an id"):
        bucket.set_aside(KEY, entry)
    only_the_old(moto, name)


def test_an_upload_that_can_not_be_removed_is_told(
    bucket: S3Bucket, entry: ObjectEntry, in_parts: None
) -> None:
    put_in(bucket, "UploadPartCopy", lambda request: error(request.url, 403, "AccessDenied"))
    put_in(bucket, "AbortMultipartUpload", raising(CLOSED))
    with pytest.raises(BucketUnreachableError, match="An unfinished upload may be left"):
        bucket.set_aside(KEY, entry)


COPIED = "<CopyObjectResult><ETag>e</ETag></CopyObjectResult>"


def test_a_copy_that_is_told_and_not_there_is_found_out(
    bucket: S3Bucket, entry: ObjectEntry, moto: Server, name: str
) -> None:
    put_in(bucket, "CopyObject", lambda request: answer(request.url, 200, COPIED))
    with pytest.raises(BucketUnreachableError, match=r"it took a copy of .* and does not have it"):
        bucket.set_aside(KEY, entry)
    only_the_old(moto, name)


@pytest.mark.parametrize("may_remove", [True, False])
def test_a_copy_that_is_not_whole_is_found_out_and_removed(
    bucket: S3Bucket, entry: ObjectEntry, moto: Server, name: str, may_remove: bool
) -> None:
    def shorter(request: Any) -> AWSResponse:
        key = request.url.partition(f"{name}/")[2].replace("%20", " ")
        moto.client.put_object(Bucket=name, Key=key, Body=OLD[:-1])
        return answer(request.url, 200, COPIED)

    put_in(bucket, "CopyObject", shorter)
    if not may_remove:
        put_in(bucket, "DeleteObject", lambda request: error(request.url, 403, "AccessDenied"))
    with pytest.raises(SourceChangedError):
        bucket.set_aside(KEY, entry)
    if may_remove:
        only_the_old(moto, name)


def test_a_name_that_is_taken_is_not_copied_over(
    bucket: S3Bucket, entry: ObjectEntry, moto: Server, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    chance = Chance().new_id()
    monkeypatch.setattr(Chance, "new_id", lambda self: chance)
    kept = bucket.set_aside(KEY, entry)
    moto.client.put_object(Bucket=name, Key=f"shelf/{kept}", Body=b"theirs")
    with pytest.raises(NameTakenError):
        bucket.set_aside(KEY, entry)
    assert b"".join(bucket.fetch(kept)) == b"theirs"


def replaced(bucket: S3Bucket, entry: ObjectEntry, data: bytes) -> None:
    bucket.send(KEY, content_of(data), blocks_of(data), replacing=entry)


SIZES = {"PutObject": 100, "CompleteMultipartUpload": 3 * BLOCK_BYTES}
DONE: dict[str, Callable[[Any], AWSResponse]] = {
    "PutObject": lambda r: answer(r.url, 200, ETag='"85beb3eb3eb2ae25dd2ff76b7fd0bd90"'),
    "CompleteMultipartUpload": lambda r: answer(
        r.url, 200, "<CompleteMultipartUploadResult><ETag>e</ETag></CompleteMultipartUploadResult>"
    ),
}


@pytest.mark.parametrize("operation", sorted(DONE))
@pytest.mark.parametrize("same_bytes", [True, False])
def test_a_replacement_that_is_told_and_not_done_is_found_out(
    bucket: S3Bucket, moto: Server, name: str, operation: str, same_bytes: bool
) -> None:
    """Also where the store's ETag stayed that of the right bytes while its bytes rotted."""
    data = made_up(SIZES[operation])
    old = data if same_bytes else OLD
    moto.client.delete_object(Bucket=name, Key=f"shelf/{KEY}")
    entry = bucket.send(KEY, content_of(old), blocks_of(old)).entry
    put_in(bucket, operation, DONE[operation])
    with pytest.raises((BucketUnreachableError, AttestationRefusedError)):
        replaced(bucket, entry, data)
    assert b"".join(bucket.fetch(KEY)) == old


@pytest.mark.parametrize("operation", sorted(DONE))
def test_a_line_that_is_down_is_told_as_that_and_not_as_another_s_object(
    bucket: S3Bucket, entry: ObjectEntry, moto: Server, name: str, operation: str
) -> None:
    put_in(bucket, operation, raising(CLOSED))
    with pytest.raises(BucketUnreachableError, match="broke"):
        replaced(bucket, entry, made_up(SIZES[operation]))
    only_the_old(moto, name)


@pytest.mark.parametrize("operation", sorted(DONE))
@pytest.mark.parametrize(
    ("status", "code"), [(409, "ConditionalRequestConflict"), (412, "PreconditionFailed")]
)
def test_a_conflict_with_the_old_object_still_there_is_for_later(
    bucket: S3Bucket,
    entry: ObjectEntry,
    moto: Server,
    name: str,
    operation: str,
    status: int,
    code: str,
) -> None:
    put_in(bucket, operation, lambda request: error(request.url, status, code))
    with pytest.raises(BucketUnreachableError, match="at the same time"):
        replaced(bucket, entry, made_up(SIZES[operation]))
    only_the_old(moto, name)
