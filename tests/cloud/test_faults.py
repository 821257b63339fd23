"""What goes wrong between here and the store: each fault put in at botocore's own event."""

from typing import Any

import pytest
from botocore.awsrequest import AWSResponse

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import (
    AttestationRefusedError,
    BucketUnreachableError,
    NameTakenError,
)
from backupkeeper.core.model import BLOCK_BYTES
from tests.real.store import Opener, Server, blocks_of, content_of, made_up
from tests.world.answers import answer, error
from tests.world.faults import CLOSED, LATE, lost, put_in, raising

pytest_plugins = ["tests.real.store_fixtures"]

DATA = made_up(3 * BLOCK_BYTES)  # two parts of two blocks and one
CONTENT = content_of(DATA)


@pytest.fixture
def name(moto: Server) -> str:
    return moto.new_bucket()


@pytest.fixture
def bucket(opened: Opener, moto: Server, name: str) -> S3Bucket:
    opened_bucket = opened(moto.url, f"{name}/shelf")
    opened_bucket.capabilities()
    return opened_bucket


def sent(bucket: S3Bucket) -> None:
    bucket.send("A001.MP4", CONTENT, blocks_of(DATA))


@pytest.mark.parametrize(
    "operation", ["HeadObject", "CreateMultipartUpload", "UploadPart", "CompleteMultipartUpload"]
)
def test_a_busy_store_is_asked_again(bucket: S3Bucket, operation: str) -> None:
    put_in(bucket, operation, lambda request: error(request.url, 503, "SlowDown"), times=2)
    sent(bucket)
    assert b"".join(bucket.fetch("A001.MP4")) == DATA


@pytest.mark.parametrize("operation", ["CreateMultipartUpload", "UploadPart"])
def test_a_store_that_stays_busy_is_told_and_nothing_stays(
    bucket: S3Bucket, moto: Server, name: str, operation: str
) -> None:
    put_in(bucket, operation, lambda request: error(request.url, 503, "SlowDown"))
    with pytest.raises(BucketUnreachableError, match="asks for fewer requests"):
        sent(bucket)
    assert moto.keys(name) == []
    assert moto.uploads(name) == []


def test_an_error_inside_an_answer_of_200_is_an_error(
    bucket: S3Bucket, moto: Server, name: str
) -> None:
    put_in(
        bucket,
        "CompleteMultipartUpload",
        lambda request: answer(
            request.url, 200, "  \n<Error><Code>InternalError</Code><Message>no</Message></Error>"
        ),
    )
    with pytest.raises(BucketUnreachableError, match=r"failed \(InternalError"):
        sent(bucket)
    assert moto.keys(name) == []
    assert moto.uploads(name) == []


def test_an_answer_of_200_that_completed_nothing_is_found_out(
    bucket: S3Bucket, moto: Server, name: str
) -> None:
    put_in(
        bucket,
        "CompleteMultipartUpload",
        lambda request: answer(
            request.url,
            200,
            "<CompleteMultipartUploadResult><ETag>e</ETag></CompleteMultipartUploadResult>",
        ),
    )
    with pytest.raises(BucketUnreachableError, match=r"it took A001\.MP4 and does not have it"):
        sent(bucket)
    assert moto.keys(name) == []


@pytest.mark.parametrize("problem", [CLOSED, LATE], ids=["closed", "late"])
@pytest.mark.parametrize("times", [1, 9])
def test_a_lost_answer_to_complete_is_made_up_for(
    bucket: S3Bucket, moto: Server, name: str, problem: Exception, times: int
) -> None:
    once = lost(problem)
    asked: list[int] = []

    def fault(request: Any) -> AWSResponse | None:
        asked.append(1)
        if len(asked) == 1:
            return once(request)
        raise problem

    put_in(bucket, "CompleteMultipartUpload", fault, times=times)
    sent(bucket)
    assert b"".join(bucket.fetch("A001.MP4")) == DATA
    assert moto.uploads(name) == []


@pytest.mark.parametrize("times", [1, 9])
def test_a_lost_answer_to_put_is_made_up_for(bucket: S3Bucket, moto: Server, times: int) -> None:
    once = lost(CLOSED)
    asked: list[int] = []

    def fault(request: Any) -> AWSResponse | None:
        asked.append(1)
        if len(asked) == 1:
            return once(request)
        raise CLOSED

    put_in(bucket, "PutObject", fault, times=times)
    bucket.send("B.WAV", content_of(b"sound"), blocks_of(b"sound"))
    assert b"".join(bucket.fetch("B.WAV")) == b"sound"


def test_an_upload_that_never_arrived_is_told(bucket: S3Bucket, moto: Server, name: str) -> None:
    put_in(bucket, "CompleteMultipartUpload", raising(CLOSED))
    with pytest.raises(BucketUnreachableError, match="broke"):
        sent(bucket)
    assert moto.keys(name) == []
    assert moto.uploads(name) == []


@pytest.mark.parametrize(
    ("status", "code"),
    [(404, "NoSuchUpload"), (412, "PreconditionFailed"), (409, "ConditionalRequestConflict")],
)
def test_a_conflict_at_complete_with_nothing_there_is_for_later(
    bucket: S3Bucket, moto: Server, name: str, status: int, code: str
) -> None:
    put_in(bucket, "CompleteMultipartUpload", lambda request: error(request.url, status, code))
    with pytest.raises(BucketUnreachableError, match="Repeat the command"):
        sent(bucket)
    assert moto.uploads(name) == []


@pytest.mark.parametrize(
    ("status", "code"),
    [(404, "NoSuchUpload"), (412, "PreconditionFailed"), (409, "ConditionalRequestConflict")],
)
def test_a_conflict_at_complete_with_another_s_object_there_leaves_it(
    bucket: S3Bucket, moto: Server, name: str, status: int, code: str
) -> None:
    def fault(request: Any) -> AWSResponse:
        moto.client.put_object(Bucket=name, Key="shelf/A001.MP4", Body=DATA)
        return error(request.url, status, code)

    put_in(bucket, "CompleteMultipartUpload", fault)
    with pytest.raises(NameTakenError):
        sent(bucket)
    assert moto.uploads(name) == []


def test_an_error_that_leaves_no_doubt_is_told_at_once(bucket: S3Bucket) -> None:
    put_in(
        bucket, "CompleteMultipartUpload", lambda request: error(request.url, 403, "AccessDenied")
    )
    with pytest.raises(BucketUnreachableError, match="not allowed"):
        sent(bucket)


def test_if_looking_fails_too_the_first_failure_is_told(bucket: S3Bucket) -> None:
    def fault(request: Any) -> AWSResponse:
        put_in(bucket, "HeadObject", raising(LATE))
        return error(request.url, 404, "NoSuchUpload")

    put_in(bucket, "CompleteMultipartUpload", fault)
    with pytest.raises(BucketUnreachableError, match="does not know the upload"):
        sent(bucket)


@pytest.mark.parametrize("operation", ["UploadPart", "PutObject"])
def test_an_answer_with_the_etag_of_other_bytes_is_a_refusal(
    bucket: S3Bucket, moto: Server, name: str, operation: str
) -> None:
    put_in(bucket, operation, lambda request: answer(request.url, 200, ETag='"' + "0" * 32 + '"'))
    data = DATA if operation == "UploadPart" else b"sound"
    with pytest.raises(AttestationRefusedError):
        bucket.send("A001.MP4", content_of(data), blocks_of(data))
    assert moto.keys(name) == []
    assert moto.uploads(name) == []


def test_an_object_that_is_not_as_large_as_what_was_sent_is_a_refusal(
    bucket: S3Bucket, moto: Server, name: str
) -> None:
    def shorter(request: Any) -> AWSResponse:
        return answer(request.url, 200, ETag='"e"', Content_Length="3")

    def then_lie(request: Any) -> None:
        put_in(bucket, "HeadObject", shorter)

    put_in(bucket, "PutObject", then_lie)
    with pytest.raises(AttestationRefusedError):
        bucket.send("A001.MP4", content_of(b"sound"), blocks_of(b"sound"))


def test_an_upload_that_can_not_be_removed_is_told(bucket: S3Bucket) -> None:
    put_in(bucket, "UploadPart", lambda request: error(request.url, 403, "AccessDenied"))
    put_in(bucket, "AbortMultipartUpload", raising(CLOSED))
    with pytest.raises(BucketUnreachableError, match="An unfinished upload may be left"):
        sent(bucket)


def test_removing_an_upload_is_tried_again(bucket: S3Bucket, moto: Server, name: str) -> None:
    put_in(bucket, "UploadPart", lambda request: error(request.url, 403, "AccessDenied"))
    put_in(
        bucket, "AbortMultipartUpload", lambda request: error(request.url, 409, "Conflict"), times=1
    )
    with pytest.raises(BucketUnreachableError) as caught:
        sent(bucket)
    assert "unfinished" not in caught.value.advice
    assert moto.uploads(name) == []


def test_another_s_object_in_the_place_of_ours_is_never_taken_for_ours(
    bucket: S3Bucket, moto: Server, name: str
) -> None:
    def swap(request: Any) -> None:
        moto.client.put_object(Bucket=name, Key="shelf/A001.MP4", Body=DATA)

    def after_complete(request: Any) -> AWSResponse:
        put_in(bucket, "HeadObject", swap, times=1)
        return answer(
            request.url,
            200,
            "<CompleteMultipartUploadResult><ETag>e</ETag></CompleteMultipartUploadResult>",
        )

    put_in(bucket, "CompleteMultipartUpload", after_complete)
    with pytest.raises((NameTakenError, AttestationRefusedError)):
        sent(bucket)


def test_a_newer_version_than_ours_is_told(bucket: S3Bucket, moto: Server, name: str) -> None:
    moto.client.put_bucket_versioning(Bucket=name, VersioningConfiguration={"Status": "Enabled"})

    def other_version(request: Any) -> AWSResponse:
        return answer(request.url, 200, ETag='"e"', x_amz_version_id="another")

    def then_swap(request: Any) -> None:
        put_in(bucket, "HeadObject", other_version)

    put_in(bucket, "PutObject", then_swap)
    with pytest.raises(NameTakenError):
        bucket.send("B.WAV", content_of(b""), blocks_of(b""))


def test_a_part_that_fails_stops_the_others(bucket: S3Bucket, moto: Server, name: str) -> None:
    data = made_up(12 * BLOCK_BYTES)
    asked = put_in(bucket, "UploadPart", lambda request: error(request.url, 403, "AccessDenied"))
    with pytest.raises(BucketUnreachableError, match="not allowed"):
        bucket.send("A001.MP4", content_of(data), blocks_of(data))
    assert len(asked) < 6
    assert moto.uploads(name) == []
