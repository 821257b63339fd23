"""Every error that can come from the library or the store has its sentence."""

import inspect
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import botocore.exceptions
import pytest
from botocore.exceptions import BotoCoreError, ClientError, EndpointConnectionError
from botocore.parsers import ResponseParserError
from hypothesis import given, strategies as st
from urllib3.exceptions import NameResolutionError, ProtocolError

from backupkeeper.cloud.causes import (
    LINE,
    OF_CODE,
    OF_EXCEPTION,
    OF_STATUS,
    PERSON,
    SENTENCES,
    Cause,
)
from backupkeeper.cloud.errors import Where, cause_of, failure, told, translated
from backupkeeper.core.errors import (
    AttestationRefusedError,
    BackupkeeperError,
    BrokenPromiseError,
    BucketShutError,
    BucketUnreachableError,
    LineDownError,
    NameTakenError,
    UsageError,
)

WHERE = Where(bucket="boatyard", endpoint="https://store.example", profile="yard")

CLASSES = [
    value
    for value in vars(botocore.exceptions).values()
    if inspect.isclass(value)
    and issubclass(value, Exception)
    and not issubclass(value, Warning)
    and value.__module__ == "botocore.exceptions"
]


def answered(code: str, status: int, content_type: str = "application/xml") -> ClientError:
    return ClientError(
        {
            "Error": {"Code": code, "Message": "no"},
            "ResponseMetadata": {
                "HTTPStatusCode": status,
                "HTTPHeaders": {"content-type": content_type},
                "RequestId": "1",
                "HostId": "",
                "RetryAttempts": 0,
            },
        },
        "PutObject",
    )


def test_every_exception_class_of_botocore_is_named() -> None:
    assert len(CLASSES) > 90  # 1.44.8 has 99; fewer would mean that nothing was looked at
    assert [kind.__name__ for kind in CLASSES if kind.__name__ not in OF_EXCEPTION] == []


@pytest.mark.parametrize("kind", CLASSES, ids=lambda kind: kind.__name__)
def test_every_exception_of_botocore_becomes_an_error_of_ours(kind: type[Exception]) -> None:
    error = kind.__new__(kind)
    Exception.__init__(error, "what the library says")
    if isinstance(error, ClientError):
        error.response = {}
    assert cause_of(error) is OF_EXCEPTION[kind.__name__]
    assert isinstance(translated(error, WHERE, "A001.MP4"), BackupkeeperError)


def test_an_exception_class_of_tomorrow_has_the_cause_of_its_base() -> None:
    class TomorrowError(BotoCoreError):
        pass

    assert cause_of(TomorrowError()) is Cause.SETTINGS


@pytest.mark.parametrize("cause", Cause)
def test_every_cause_has_a_sentence_that_can_be_said(cause: Cause) -> None:
    error = failure(cause, WHERE, path="A001.MP4", detail="a detail")
    assert error.message.endswith(".")
    assert "{" not in str(error)
    _, advice = SENTENCES[cause]
    assert advice == "" or advice.endswith(".")


@pytest.mark.parametrize("code", sorted(OF_CODE))
def test_every_error_code_is_told_by_its_own_cause(code: str) -> None:
    assert cause_of(answered(code, 400)) is OF_CODE[code]


@pytest.mark.parametrize("status", sorted(OF_STATUS))
def test_an_answer_without_a_code_is_told_by_its_status(status: int) -> None:
    assert cause_of(answered(str(status), status)) is OF_STATUS[status]
    assert cause_of(answered("", status)) is OF_STATUS[status]


def test_a_status_that_stands_only_in_the_code_is_read_there() -> None:
    error = ClientError({"Error": {"Code": "403", "Message": "Forbidden"}}, "HeadObject")
    assert cause_of(error) is Cause.DENIED


def test_an_answer_that_nobody_knows_is_a_refusal_with_its_code() -> None:
    error = translated(answered("NeverHeardOf", 418), WHERE)
    assert isinstance(error, BucketUnreachableError)
    assert "NeverHeardOf, HTTP 418" in error.message


@pytest.mark.parametrize(
    ("error", "kind", "words"),
    [
        (answered("InvalidAccessKeyId", 403), BucketUnreachableError, "does not accept the cred"),
        (answered("AccessDenied", 403), BucketUnreachableError, "not allowed to do this"),
        (answered("NoSuchBucket", 404), BucketUnreachableError, "no bucket boatyard"),
        (answered("RequestTimeTooSkewed", 403), BucketUnreachableError, "clock of this machine"),
        (answered("SlowDown", 503), BucketUnreachableError, "fewer requests"),
        (answered("BadDigest", 400), AttestationRefusedError, "what arrived is not what was sent"),
        (answered("PreconditionFailed", 412), NameTakenError, "stands at A001.MP4"),
        (answered("", 500, "text/html; charset=utf-8"), BucketUnreachableError, "no object store"),
        (botocore.exceptions.NoCredentialsError(), BucketUnreachableError, "AWS_ACCESS_KEY_ID"),
        (botocore.exceptions.ProfileNotFound(profile="yard"), UsageError, "profile yard"),
        (
            botocore.exceptions.SSLError(
                endpoint_url="https://store.example", error=OSError("expired")
            ),
            BucketUnreachableError,
            "certificate does not check",
        ),
        (
            botocore.exceptions.ReadTimeoutError(endpoint_url="https://store.example"),
            BucketUnreachableError,
            "too long to answer",
        ),
        (ResponseParserError("not well-formed"), BucketUnreachableError, "no object store"),
        (ProtocolError("broken"), BucketUnreachableError, "connection to .* broke"),
        (ConnectionResetError("reset"), BucketUnreachableError, "connection to .* broke"),
        (ValueError("Invalid endpoint"), UsageError, "can't be used"),
        (
            botocore.exceptions.ParamValidationError(report="Bucket"),
            BrokenPromiseError,
            "fault of backupkeeper",
        ),
        (LookupError("what"), BrokenPromiseError, "fault of backupkeeper"),
    ],
)
def test_what_a_person_reads(error: Exception, kind: type[Exception], words: str) -> None:
    with pytest.raises(kind, match=words):
        raise translated(error, WHERE, "A001.MP4")


def test_a_name_that_is_not_found_is_told_from_a_door_that_is_shut() -> None:
    unknown = NameResolutionError("store.example", None, OSError("unknown"))  # type: ignore[arg-type]  # no connection needed
    assert (
        cause_of(EndpointConnectionError(endpoint_url="https://store.example", error=unknown))
        is Cause.NO_NAME
    )
    shut = EndpointConnectionError(endpoint_url="https://store.example", error=OSError())
    assert cause_of(shut) is Cause.NO_ANSWER


@given(st.text(max_size=300), st.text(max_size=300))
def test_text_from_the_store_can_not_harm_a_terminal(code: str, detail: str) -> None:
    for error in (
        translated(answered(code, 418), WHERE, "A001.MP4"),
        failure(Cause.REFUSED, WHERE, detail=detail),
    ):
        assert str(error).isprintable()
        assert len(str(error)) < 400


def test_only_errors_of_libraries_are_translated() -> None:
    with pytest.raises(BucketUnreachableError), told(WHERE):
        raise ConnectionResetError
    with pytest.raises(KeyboardInterrupt), told(WHERE):
        raise KeyboardInterrupt
    with pytest.raises(ZeroDivisionError), told(WHERE):
        raise ZeroDivisionError


@pytest.mark.parametrize(
    ("ahead", "words"),
    [
        (timedelta(hours=2, minutes=5), "this machine is 2 h 5 min ahead"),
        (timedelta(minutes=-16), "this machine is 16 min behind"),
        (timedelta(days=400), "this machine is 400 d ahead"),
        (timedelta(0), "this machine is 0 min behind"),
    ],
)
def test_how_far_the_clocks_are_apart_is_told(ahead: timedelta, words: str) -> None:
    theirs = datetime(2026, 6, 12, 18, tzinfo=UTC)
    error = answered("RequestTimeTooSkewed", 403)
    headers: dict[str, str] = error.response["ResponseMetadata"]["HTTPHeaders"]
    headers["date"] = "Fri, 12 Jun 2026 18:00:00 GMT"
    told = translated(error, replace(WHERE, now=lambda: theirs + ahead))
    assert isinstance(told, BucketShutError)
    assert f"too far apart ({words})" in told.message


@pytest.mark.parametrize("date", [None, "", "yesterday", "Fri, 99 Jun 2026 18:00:00 GMT", "1" * 99])
def test_a_date_that_is_none_is_passed_over(date: str | None) -> None:
    error = answered("RequestTimeTooSkewed", 403)
    if date is not None:
        error.response["ResponseMetadata"]["HTTPHeaders"]["date"] = date
    where = replace(WHERE, now=lambda: datetime(2026, 6, 12, tzinfo=UTC))
    assert "(RequestTimeTooSkewed, HTTP 403)" in translated(error, where).message


@pytest.mark.parametrize("cause", Cause)
def test_every_cause_is_waited_out_or_told_to_a_person_or_neither_but_never_both(
    cause: Cause,
) -> None:
    told = failure(cause, WHERE, path="A001.MP4")
    assert isinstance(told, LineDownError) == (cause in LINE)
    assert isinstance(told, BucketShutError) == (cause in PERSON)
