"""What goes wrong while a bucket is tried, looked at, listed and fetched from."""

import hashlib
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from botocore.awsrequest import AWSResponse

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import (
    BackupkeeperError,
    BucketUnreachableError,
    ListingError,
    SourceChangedError,
)
from backupkeeper.core.model import BLOCK_BYTES
from tests.real.store import Opener, Server, blocks_of, content_of, made_up
from tests.world.answers import answer, error
from tests.world.faults import CLOSED, Fault, put_in, raising

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


def _object_from_where_asked(data: bytes) -> Fault:
    """An answer of the right length whose connection breaks after ``data``."""

    def fault(request: Any) -> AWSResponse | None:
        span = str(request.headers.get("Range", b"bytes=0-"), "ascii")
        return _object(data, first=int(span.removeprefix("bytes=").partition("-")[0]))(request)

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
    wanted = f"bytes={BLOCK_BYTES + 5}-{len(DATA) - 1}"
    assert ranges[-1] in {wanted, wanted.encode()}


def test_a_download_that_brings_nothing_on_ends(stored: S3Bucket) -> None:
    asked = put_in(stored, "GetObject", _object_from_where_asked(b"abc"))
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


def test_a_trial_that_may_not_remove_its_uploads_names_them(
    opened: Opener, moto: Server, name: str
) -> None:
    bucket = opened(moto.url, f"{name}/shelf")
    put_in(bucket, "AbortMultipartUpload", lambda r: error(r.url, 403, "AccessDenied"))
    left = bucket.capabilities().left_behind
    assert {f"shelf/{path}" for path in left} == set(moto.uploads(name))
    assert left


@pytest.mark.parametrize("before", [0, 1, 3, 4])
def test_a_trial_whose_rights_end_midway_is_no_trial(
    opened: Opener, moto: Server, name: str, before: int
) -> None:
    bucket = opened(moto.url, f"{name}/shelf")
    asked: list[str] = []

    def fault(request: Any) -> AWSResponse | None:
        asked.append(request.url)
        return error(request.url, 403, "AccessDenied") if len(asked) > before else None

    put_in(bucket, "PutObject", fault)
    with pytest.raises(BucketUnreachableError, match="not allowed"):
        bucket.capabilities()
    assert moto.keys(name) == []


@pytest.mark.parametrize("tried", [True, False])
def test_an_upload_without_an_id_is_no_store_s(
    bucket: S3Bucket, opened: Opener, moto: Server, name: str, tried: bool
) -> None:
    used = bucket if tried else opened(moto.url, f"{name}/shelf")
    put_in(
        used,
        "CreateMultipartUpload",
        lambda r: answer(r.url, 200, "<InitiateMultipartUploadResult/>"),
    )
    with pytest.raises(BucketUnreachableError, match="an upload without an id"):
        sent(used)
    assert moto.keys(name) == []


def test_a_line_that_breaks_while_a_refusal_is_asked_about_leaves_the_refusal(
    bucket: S3Bucket,
) -> None:
    # Found by the bad line with seed 434: a HEAD says 400 without a word, and then the line breaks.
    put_in(bucket, "HeadObject", lambda request: answer(request.url, 400, b""))
    put_in(bucket, "ListObjectsV2", raising(CLOSED))
    with pytest.raises(BucketUnreachableError, match="HTTP 400"):
        bucket.look("A001.MP4")
