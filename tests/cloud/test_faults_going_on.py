"""What goes wrong at the end of an upload that is remembered, and what is kept of it."""

from typing import Any

import pytest
from botocore.awsrequest import AWSResponse

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import (
    AttestationRefusedError,
    BucketUnreachableError,
    ListingError,
    NameTakenError,
    SourceChangedError,
    UploadLostError,
)
from backupkeeper.core.model import BLOCK_BYTES
from tests.real.store import Opener, Server, blocks_of, content_of, made_up
from tests.world.answers import answer, error
from tests.world.faults import CLOSED, lost, put_in, raising
from tests.world.refusing_store import Rules, refusing_store
from tests.world.remembering import Remembered

pytest_plugins = ["tests.real.store_fixtures"]

DATA = made_up(3 * BLOCK_BYTES)  # two parts of two blocks and one
CONTENT = content_of(DATA)
KEY = "A001.MP4"


@pytest.fixture
def name(moto: Server) -> str:
    return moto.new_bucket()


@pytest.fixture
def bucket(opened: Opener, moto: Server, name: str) -> S3Bucket:
    opened_bucket = opened(moto.url, f"{name}/shelf")
    opened_bucket.capabilities()
    return opened_bucket


@pytest.fixture
def memory() -> Remembered:
    return Remembered()


def sent(bucket: S3Bucket, memory: Remembered) -> None:
    bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)


def arrives_now(bucket: S3Bucket, memory: Remembered) -> int:
    """Send again, now undisturbed: how many parts that took."""
    asked = put_in(bucket, "UploadPart", lambda request: None)
    sent(bucket, memory)
    assert b"".join(bucket.fetch(KEY)) == DATA
    return sum(KEY in url for url in asked)  # and not what the bucket is tried with


PASSING: dict[str, Any] = {
    "the connection broke": raising(CLOSED),
    "an error in an answer of 200": lambda request: answer(
        request.url, 200, "  <Error><Code>InternalError</Code><Message>no</Message></Error>"
    ),
    "an error in an answer of 200 after white space and a declaration": lambda request: answer(
        request.url,
        200,
        ' \n \n<?xml version="1.0" encoding="UTF-8"?>\n<Error><Code>InternalError</Code></Error>',
    ),
    "busy": lambda request: error(request.url, 503, "SlowDown"),
    "412 and nobody's object there": lambda request: error(request.url, 412, "PreconditionFailed"),
    "not allowed": lambda request: error(request.url, 403, "AccessDenied"),
    "a login page": lambda request: answer(
        request.url, 200, "<html>log in</html>", Content_Type="text/html"
    ),
}


@pytest.mark.parametrize("fault", PASSING)
def test_what_passes_at_complete_costs_no_part(
    bucket: S3Bucket, memory: Remembered, moto: Server, name: str, fault: str
) -> None:
    broken = True
    put_in(bucket, "CompleteMultipartUpload", lambda r: PASSING[fault](r) if broken else None)
    with pytest.raises(BucketUnreachableError):
        sent(bucket, memory)
    assert memory.told == ["begun"]
    assert moto.keys(name) == []
    broken = False
    assert arrives_now(bucket, memory) == 0


@pytest.mark.parametrize(
    ("status", "code"),
    [
        (409, "ConditionalRequestConflict"),
        (404, "NoSuchUpload"),
        (400, "InvalidPart"),
        (400, "InvalidPartOrder"),
        (400, "EntityTooSmall"),
    ],
)
def test_what_is_lost_at_complete_is_sent_anew(
    bucket: S3Bucket, memory: Remembered, moto: Server, name: str, status: int, code: str
) -> None:
    """STANDARDS 7.5: after 409 the parts are sent again, in a new upload."""
    broken = True
    put_in(
        bucket,
        "CompleteMultipartUpload",
        lambda request: error(request.url, status, code) if broken else None,
    )
    with pytest.raises(UploadLostError):
        sent(bucket, memory)
    assert memory.told == ["begun", "forgotten"]
    assert moto.uploads(name) == []
    broken = False
    assert arrives_now(bucket, memory) == 2


@pytest.mark.parametrize("status", [409, 412])
def test_another_s_object_at_complete_is_told_and_ours_is_given_up(
    bucket: S3Bucket, memory: Remembered, moto: Server, name: str, status: int
) -> None:
    def fault(request: Any) -> AWSResponse:
        moto.client.put_object(Bucket=name, Key=f"shelf/{KEY}", Body=b"theirs")
        return error(request.url, status, "PreconditionFailed" if status == 412 else "Conflict")

    put_in(bucket, "CompleteMultipartUpload", fault)
    with pytest.raises(NameTakenError):
        sent(bucket, memory)
    assert memory.told == ["begun", "forgotten"]
    assert moto.uploads(name) == []
    assert moto.keys(name) == [f"shelf/{KEY}"]
    assert b"".join(bucket.fetch(KEY)) == b"theirs"


def test_a_lost_answer_to_complete_that_nobody_could_look_after_is_made_up_for_later(
    bucket: S3Bucket, memory: Remembered
) -> None:
    once = lost(CLOSED)
    dark = False

    def fault(request: Any) -> AWSResponse | None:
        nonlocal dark
        if dark:
            raise CLOSED
        dark = True
        return once(request)

    def in_the_dark(request: Any) -> None:
        if dark:
            raise CLOSED

    put_in(bucket, "CompleteMultipartUpload", fault)
    put_in(bucket, "HeadObject", in_the_dark)
    with pytest.raises(BucketUnreachableError, match="broke"):
        sent(bucket, memory)
    assert memory.told == ["begun"]
    dark = False
    assert arrives_now(bucket, memory) == 0


def test_a_part_that_was_refused_is_the_only_one_sent_again(
    bucket: S3Bucket, memory: Remembered
) -> None:
    spoiled = True

    def refuse_the_second(request: Any) -> AWSResponse | None:
        refused = spoiled and "partNumber=2" in request.url
        return error(request.url, 400, "BadDigest") if refused else None

    put_in(bucket, "UploadPart", refuse_the_second)
    with pytest.raises(AttestationRefusedError):
        sent(bucket, memory)
    spoiled = False
    assert arrives_now(bucket, memory) == 1


def test_a_file_that_is_cut_short_on_the_drive_keeps_what_arrived_for_another_copy(
    bucket: S3Bucket, memory: Remembered
) -> None:
    with pytest.raises(SourceChangedError):
        bucket.send(KEY, CONTENT, blocks_of(DATA[: 2 * BLOCK_BYTES]), memory=memory)
    assert memory.told == ["begun"]
    assert arrives_now(bucket, memory) <= 2  # the part on its way was stopped, or arrived
    assert memory.told == ["begun"]


def test_an_upload_that_can_not_be_remembered_is_not_left_behind(
    bucket: S3Bucket, moto: Server, name: str
) -> None:
    class Full(Remembered):
        def remember(self, begun: object) -> None:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        sent(bucket, Full())
    assert moto.uploads(name) == []


def test_an_object_of_ours_with_other_bytes_is_never_taken_for_right(
    bucket: S3Bucket, memory: Remembered, moto: Server, name: str
) -> None:
    sent(bucket, memory)
    assert memory.known is not None
    moto.client.put_object(
        Bucket=name, Key=f"shelf/{KEY}", Body=DATA[:-1] + b"x",
        Metadata={"backupkeeper-upload": memory.known.ticket},
    )  # fmt: skip
    with pytest.raises(AttestationRefusedError):
        sent(bucket, memory)
    assert memory.told == ["begun", "forgotten"]
    with pytest.raises(NameTakenError):
        sent(bucket, memory)


LISTS = {
    "a part without a number": "<Part><ETag>e</ETag><Size>1</Size></Part>",
    "a part without a size": "<Part><PartNumber>1</PartNumber><ETag>e</ETag></Part>",
    "a list that goes on and does not say where": "<IsTruncated>true</IsTruncated>",
    "a list that goes round": "<IsTruncated>true</IsTruncated>"
    "<NextPartNumberMarker>0</NextPartNumberMarker>",
}


@pytest.mark.parametrize("told", LISTS)
def test_a_list_of_parts_that_breaks_its_rules_is_told(
    bucket: S3Bucket, memory: Remembered, told: str
) -> None:
    put_in(bucket, "CompleteMultipartUpload", raising(CLOSED))
    with pytest.raises(BucketUnreachableError):
        sent(bucket, memory)
    put_in(
        bucket,
        "ListParts",
        lambda request: answer(
            request.url, 200, f"<ListPartsResult>{LISTS[told]}</ListPartsResult>"
        ),
    )
    with pytest.raises(ListingError, match=r"list of parts of A001\.MP4"):
        sent(bucket, memory)
    assert memory.told == ["begun"]


def test_a_list_that_can_not_be_had_keeps_the_upload(bucket: S3Bucket, memory: Remembered) -> None:
    put_in(bucket, "CompleteMultipartUpload", raising(CLOSED))
    with pytest.raises(BucketUnreachableError):
        sent(bucket, memory)
    put_in(bucket, "ListParts", lambda request: error(request.url, 403, "AccessDenied"))
    with pytest.raises(BucketUnreachableError, match="not allowed"):
        sent(bucket, memory)
    assert memory.told == ["begun"]


def test_giving_up_what_the_store_does_not_let_go_is_told(
    bucket: S3Bucket, memory: Remembered
) -> None:
    put_in(bucket, "CompleteMultipartUpload", raising(CLOSED))
    with pytest.raises(BucketUnreachableError):
        sent(bucket, memory)
    assert memory.known is not None
    put_in(bucket, "AbortMultipartUpload", lambda request: error(request.url, 403, "AccessDenied"))
    with pytest.raises(BucketUnreachableError, match="does not remove the unfinished upload"):
        bucket.give_up(memory.known)


@pytest.mark.parametrize(
    ("rules", "parts"),
    [
        pytest.param(Rules(), 1, id="ETags are MD5s"),
        pytest.param(Rules(opaque_etags=True), 2, id="ETags say nothing: sent again"),
        pytest.param(
            Rules(opaque_etags=True, lists_checks=frozenset({"sha256"})),
            1,
            id="ETags say nothing, the enforced checksum does",
        ),
        pytest.param(
            Rules(opaque_etags=True, lists_checks=frozenset({"crc32"})),
            2,
            id="only a checksum that nobody sent is told",
        ),
    ],
)
def test_on_what_a_part_is_believed_to_be_there(
    opened: Opener, memory: Remembered, rules: Rules, parts: int
) -> None:
    rules.refuses_on_put = rules.refuses_on_part = frozenset({"sha256"})
    with refusing_store(rules) as url:
        bucket = opened(url, "yard/footage")
        broken = True

        def second(request: Any) -> AWSResponse | None:
            cut = broken and "partNumber=2" in request.url
            return error(request.url, 403, "AccessDenied") if cut else None

        bucket.capabilities()
        put_in(bucket, "UploadPart", second)
        with pytest.raises(BucketUnreachableError):
            sent(bucket, memory)
        broken = False
        assert arrives_now(bucket, memory) == parts


def test_checks_that_were_not_enforced_when_parts_were_sent_attest_nothing(
    opened: Opener, memory: Remembered
) -> None:
    rules = Rules()
    with refusing_store(rules) as url:
        bucket = opened(url, "yard/footage")
        bucket.capabilities()
        put_in(bucket, "CompleteMultipartUpload", lambda request: error(request.url, 403, "No"))
        with pytest.raises(BucketUnreachableError):
            sent(bucket, memory)
        assert memory.known is not None
        assert memory.known.enforced == ()
        rules.refuses_on_put = rules.refuses_on_part = frozenset({"content-md5"})
        stricter = opened(url, "yard/footage")
        outcome = stricter.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
        assert stricter.capabilities().attests
        assert outcome.attested_by == ()
