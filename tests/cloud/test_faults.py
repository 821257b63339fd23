"""What goes wrong between here and the store: each fault put in at botocore's own event."""

import hashlib
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import urllib3
from botocore.awsrequest import AWSResponse
from botocore.exceptions import ConnectionClosedError, ReadTimeoutError

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import (
    AttestationRefusedError,
    BackupkeeperError,
    BucketUnreachableError,
    ListingError,
    NameTakenError,
    SourceChangedError,
)
from backupkeeper.core.model import BLOCK_BYTES
from tests.real.store import Opener, Server, blocks_of, content_of, made_up
from tests.world.answers import answer, error

pytest_plugins = ["tests.real.store_fixtures"]

DATA = made_up(3 * BLOCK_BYTES)  # two parts of two blocks and one
CONTENT = content_of(DATA)

Fault = Callable[[Any], AWSResponse | None]


@pytest.fixture
def name(moto: Server) -> str:
    return moto.new_bucket()


@pytest.fixture
def bucket(opened: Opener, moto: Server, name: str) -> S3Bucket:
    opened_bucket = opened(moto.url, f"{name}/shelf")
    opened_bucket.capabilities()
    return opened_bucket


def put_in(
    bucket: S3Bucket, operation: str, fault: Fault, *, times: int | None = None
) -> list[str]:
    """Meet the first ``times`` requests of an operation with a fault; returns what was asked."""
    asked: list[str] = []

    def meet(request: Any, **_: object) -> AWSResponse | None:
        asked.append(request.url)
        return fault(request) if times is None or len(asked) <= times else None

    event = f"before-send.s3.{operation}" if operation else "before-send.s3"
    events: Any = bucket._store.client.meta.events
    events.register(event, meet)
    return asked


def lost(moto: Server, problem: Exception) -> Fault:
    """Do what is asked, then lose the answer."""

    def do_and_lose(request: Any) -> AWSResponse | None:
        with urllib3.PoolManager() as pool:
            body = request.body.read() if hasattr(request.body, "read") else request.body
            headers = {
                key: value.decode() if isinstance(value, bytes) else value
                for key, value in request.headers.items()
                if key.lower() != "expect"
            }
            done = pool.request(request.method, request.url, body=body, headers=headers)
            assert done.status == 200, done.data
        raise problem

    return do_and_lose


CLOSED = ConnectionClosedError(endpoint_url="the store")
LATE = ReadTimeoutError(endpoint_url="the store")


def raising(problem: Exception) -> Fault:
    def fault(request: Any) -> AWSResponse | None:
        raise problem

    return fault


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
    once = lost(moto, problem)
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
    once = lost(moto, CLOSED)
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


PAGES = [
    "<!DOCTYPE html><html><body><p>Welcome aboard<br></body></html>",
    "<html><body>Welcome aboard</body></html>",
    "",
]


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("content_type", ["text/html", "application/octet-stream"])
def test_a_login_page_is_never_taken_for_a_bucket(
    opened: Opener, page: str, content_type: str
) -> None:
    bucket = opened("http://127.0.0.1:9", "boatyard/shelf", attempts=1)
    put_in(bucket, "", lambda r: answer(r.url, 200, page, Content_Type=content_type))
    deeds: list[Callable[[], object]] = [
        bucket.capabilities,
        lambda: bucket.look("A001.MP4"),
        lambda: bucket.send_small("A001.MP4", b"x"),
        lambda: list(bucket.fetch("A001.MP4")),
        lambda: list(bucket.listing()),
    ]
    for deed in deeds:
        with pytest.raises((BucketUnreachableError, ListingError)) as caught:
            deed()
        if content_type == "text/html":
            assert "is no object store" in str(caught.value)


@pytest.mark.parametrize("operation", ["CreateMultipartUpload", "UploadPart"])
@pytest.mark.parametrize("page", PAGES)
def test_a_login_page_in_the_midst_of_an_upload_is_told(
    bucket: S3Bucket, moto: Server, name: str, operation: str, page: str
) -> None:
    put_in(bucket, operation, lambda r: answer(r.url, 200, page, Content_Type="text/html"))
    with pytest.raises(BackupkeeperError, match="is no object store"):
        sent(bucket)
    assert moto.uploads(name) == []


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirect_to_a_login_page_is_told(opened: Opener, status: int) -> None:
    bucket = opened("http://127.0.0.1:9", "boatyard/shelf", attempts=1)
    put_in(bucket, "", lambda r: answer(r.url, status, "", Location="http://login.example/"))
    with pytest.raises(BucketUnreachableError, match="is no object store"):
        bucket.look("A001.MP4")


def _object(data: bytes, *, first: int = 0, whole: int | None = None, **more: str) -> Fault:
    size = len(DATA) if whole is None else whole
    ranged = {"Content_Range": f"bytes {first}-{size - 1}/{size}"} if first else {}

    def fault(request: Any) -> AWSResponse:
        told = {"ETag": etag(), "Content_Length": str(size - first), **ranged, **more}
        return answer(request.url, 206 if first else 200, data, **told)

    def etag() -> str:
        return f'"{hashlib.md5(DATA).hexdigest()}"'

    return fault


@pytest.fixture
def stored(bucket: S3Bucket, moto: Server, name: str) -> S3Bucket:
    moto.client.put_object(Bucket=name, Key="shelf/A001.MP4", Body=DATA)
    return bucket


def test_a_download_that_breaks_goes_on_where_it_was(stored: S3Bucket) -> None:
    asked = put_in(stored, "GetObject", _object(DATA[: BLOCK_BYTES + 5]), times=1)
    ranges: list[object] = []
    stored._store.client.meta.events.register(
        "before-send.s3.GetObject", lambda request, **_: ranges.append(request.headers.get("Range"))
    )
    assert b"".join(stored.fetch("A001.MP4")) == DATA
    assert len(asked) == 2
    assert ranges[-1] in {f"bytes={BLOCK_BYTES}-", f"bytes={BLOCK_BYTES}-".encode()}


def test_a_download_that_brings_nothing_on_ends(stored: S3Bucket) -> None:
    asked = put_in(stored, "GetObject", _object(b"abc"))
    with pytest.raises(BucketUnreachableError, match="broke"):
        list(stored.fetch("A001.MP4"))
    assert len(asked) == 5


@pytest.mark.parametrize(
    "fault",
    [_object(DATA, whole=5), _object(DATA, first=1), _object(DATA + b"x", whole=len(DATA) + 1)],
    ids=["shorter", "another range", "longer"],
)
def test_an_answer_of_another_length_is_not_taken(stored: S3Bucket, fault: Fault) -> None:
    put_in(stored, "GetObject", fault)
    with pytest.raises(BucketUnreachableError, match="a wrong byte range"):
        list(stored.fetch("A001.MP4"))


def test_an_answer_with_another_etag_is_another_object(stored: S3Bucket) -> None:
    put_in(stored, "GetObject", lambda request: answer(request.url, 200, DATA, ETag='"other"'))
    with pytest.raises(SourceChangedError):
        list(stored.fetch("A001.MP4"))


def test_a_download_given_up_half_way_closes_its_connection(stored: S3Bucket) -> None:
    blocks = stored.fetch("A001.MP4")
    assert len(next(iter(blocks))) == BLOCK_BYTES
    assert isinstance(blocks, Iterator)
    blocks.close()  # type: ignore[attr-defined]  # a generator, seen from behind the port
    assert b"".join(stored.fetch("A001.MP4")) == DATA


def _page(*items: str, end: str = "<IsTruncated>false</IsTruncated>") -> str:
    return f"<ListBucketResult><Name>b</Name>{end}{''.join(items)}</ListBucketResult>"


def _item(key: str, size: str = "<Size>1</Size>", etag: str = "<ETag>e</ETag>") -> str:
    return f"<Contents><Key>{key}</Key>{size}{etag}</Contents>"


TRUNCATED = "<IsTruncated>true</IsTruncated>"
MORE = f"{TRUNCATED}<NextContinuationToken>t</NextContinuationToken>"


@pytest.mark.parametrize(
    ("page", "words"),
    [
        (_page(_item("shelf/a"), _item("shelf/a")), "not in order, or repeats"),
        (_page(_item("shelf/b"), _item("shelf/a")), "not in order, or repeats"),
        (_page(_item("shelf/a"), end=MORE), "not in order, or repeats"),
        (_page(_item("elsewhere")), "not asked for"),
        (_page("<Contents><Size>1</Size></Contents>"), "not asked for"),
        (_page(_item("shelf/a", size="")), "no size"),
        (_page(_item("shelf/a", size="<Size>-1</Size>")), "no size"),
        (_page(_item("shelf/a", etag="")), "no ETag"),
        (_page(end=TRUNCATED), "but not how"),
        (_page(end=MORE), "but not how"),
        (_page(_item("shelf/\x01")), "can't be read"),
    ],
)
def test_a_listing_that_breaks_its_rules_is_not_believed(
    bucket: S3Bucket, page: str, words: str
) -> None:
    put_in(bucket, "ListObjectsV2", lambda request: answer(request.url, 200, page))
    with pytest.raises(ListingError, match=words):
        list(bucket.listing())


def test_a_listing_without_an_end_is_no_store_s(bucket: S3Bucket) -> None:
    put_in(bucket, "ListObjectsV2", lambda r: answer(r.url, 200, "<html>Hello</html>"))
    with pytest.raises(BucketUnreachableError, match="is no object store"):
        list(bucket.listing())


def test_a_listing_that_is_refused_says_why(bucket: S3Bucket) -> None:
    put_in(bucket, "ListObjectsV2", lambda request: error(request.url, 403, "AccessDenied"))
    with pytest.raises(BucketUnreachableError, match="not allowed"):
        list(bucket.listing())


def test_trying_a_bucket_that_breaks_off_cleans_up(opened: Opener, moto: Server, name: str) -> None:
    bucket = opened(moto.url, f"{name}/shelf", attempts=1)
    put_in(bucket, "UploadPart", raising(CLOSED))
    with pytest.raises(BucketUnreachableError, match="broke"):
        bucket.capabilities()
    assert moto.keys(name) == []
    assert moto.uploads(name) == []


def test_a_store_without_conditions_is_seen_as_such(
    opened: Opener, moto: Server, name: str
) -> None:
    bucket = opened(moto.url, f"{name}/shelf", attempts=1)

    def unknown(request: Any) -> AWSResponse | None:
        if "If-None-Match" in request.headers:
            return error(request.url, 501, "NotImplemented")
        return None

    put_in(bucket, "", unknown)
    can = bucket.capabilities()
    assert (can.conditional_put, can.conditional_complete) == (False, False)
    sent(bucket)
    assert moto.keys(name) == ["shelf/A001.MP4"]


def test_a_bare_no_to_a_look_is_asked_for_its_reason(bucket: S3Bucket) -> None:
    put_in(bucket, "HeadObject", lambda request: answer(request.url, 403))
    with pytest.raises(BucketUnreachableError, match=r"not allowed .* \(403"):
        bucket.look("A001.MP4")
    put_in(bucket, "ListObjectsV2", lambda request: error(request.url, 400, "ExpiredToken"))
    with pytest.raises(BucketUnreachableError, match="have run out"):
        bucket.look("A001.MP4")


def test_a_look_at_something_without_an_etag_is_no_store_s(bucket: S3Bucket) -> None:
    put_in(bucket, "HeadObject", lambda r: answer(r.url, 200, x_amz_request_id="1"))
    with pytest.raises(BucketUnreachableError, match="without an ETag"):
        bucket.look("A001.MP4")


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
