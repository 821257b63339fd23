"""Errors of botocore, urllib3 and the store, told as errors of ours.

Promises:
1. Whatever the libraries raise on the way to a bucket leaves as one of ``core.errors``.
2. Text that came from the store is shortened and made harmless before it stands in a sentence.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any

from botocore.exceptions import BotoCoreError, ClientError
from botocore.parsers import ResponseParserError
from urllib3.exceptions import HTTPError

from backupkeeper.cloud.causes import (
    LINE,
    OF_CODE,
    OF_EXCEPTION,
    OF_STATUS,
    PERSON,
    SENTENCES,
    Cause,
    apart_words,
)
from backupkeeper.core.errors import (
    AsleepError,
    AttestationRefusedError,
    BackupkeeperError,
    BrokenPromiseError,
    BucketShutError,
    BucketUnreachableError,
    LineDownError,
    NameTakenError,
    UploadLostError,
    UsageError,
)

LIBRARY_ERRORS = (BotoCoreError, ClientError, ResponseParserError, HTTPError, OSError, ValueError)
"""What boto3 and what it stands on may raise (``ValueError``: an endpoint that is no address)."""

_DETAIL_CHARS = 100
_PAGE_STATUS = {200, 500}
"""botocore makes 500 of a 200 whose body it can't read."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Where:
    """Which bucket is asked, for sentences: its name, the store's address, the profile used."""

    bucket: str
    endpoint: str
    profile: str | None = None
    now: Callable[[], datetime] | None = None
    """Tells this machine's time, to say how far it is from the store's."""


def code_and_status(error: BaseException) -> tuple[str, int]:
    """Error code and HTTP status of an answer; empty and 0 for anything that is no answer."""
    if not isinstance(error, ClientError):
        return "", 0
    response: dict[str, Any] = dict(error.response)
    status = response.get("ResponseMetadata", {}).get("HTTPStatusCode", 0)
    code = str(response.get("Error", {}).get("Code", ""))
    if isinstance(status, int) and status:
        return code, status
    return code, int(code) if code.isdecimal() and code.isascii() else 0


def is_web_page(answer: object) -> bool:
    """Whether an answer, or the error made of one, is a page for people and not a store's.

    Args:
        answer: What boto3 returned or raised.
    """
    told: Any = answer.response if isinstance(answer, ClientError) else answer
    if not isinstance(told, dict):
        return False
    headers = told.get("ResponseMetadata", {}).get("HTTPHeaders", {})
    page = str(headers.get("content-type", "")).startswith("text/html")
    return page and not any(str(name).lower().startswith("x-amz-") for name in headers)


def cause_of(error: BaseException) -> Cause:
    """Why a call failed: by the answer's code, else its status, else the class of the error."""
    code, status = code_and_status(error)
    if code in OF_CODE:
        return OF_CODE[code]
    if status in _PAGE_STATUS and is_web_page(error):
        return Cause.NOT_A_STORE
    if status in OF_STATUS:
        return OF_STATUS[status]
    inner = getattr(error, "kwargs", {}).get("error")
    if type(inner).__name__ == "NameResolutionError":
        return Cause.NO_NAME
    for base in type(error).__mro__:
        if base.__name__ in OF_EXCEPTION:
            return OF_EXCEPTION[base.__name__]
    return Cause.OUR_BUG


def sentence(cause: Cause, where: Where, *, path: str = "", detail: str = "") -> tuple[str, str]:
    """What happened, and what the person can do, as text."""
    values = {
        "bucket": where.bucket,
        "endpoint": where.endpoint,
        "profile": f" of the profile {where.profile}" if where.profile else "",
        "path": path or "the object",
        "detail": detail or "no more is known",
    }
    message, advice = SENTENCES[cause]
    return message.format_map(values), advice


def failure(
    cause: Cause, where: Where, *, path: str = "", detail: str = "", advice: str = ""
) -> BackupkeeperError:
    """The error of ours for a cause.

    Args:
        cause: Why.
        where: Which bucket.
        path: Which object, where one was asked for.
        detail: What the library or the store said; shortened here.
        advice: Something to add to the advice.

    Returns:
        An error to raise.
    """
    message, usual = sentence(cause, where, path=path, detail=_harmless(detail))
    told = f"{usual} {advice}".strip()
    match cause:
        case Cause.WRONG_BYTES:
            return AttestationRefusedError(path)
        case Cause.NAME_TAKEN:
            return NameTakenError(path)
        case _:
            return _OF_OURS.get(cause, BucketUnreachableError)(message, advice=told)


_OF_OURS: Mapping[Cause, type[BackupkeeperError]] = {
    Cause.SETTINGS: UsageError,
    Cause.OUR_BUG: BrokenPromiseError,
    Cause.UPLOAD_LOST: UploadLostError,
    Cause.ARCHIVED: AsleepError,
    **dict.fromkeys(LINE, LineDownError),
    **dict.fromkeys(PERSON, BucketShutError),
}
"""What is another error than that the bucket can't be reached, or says more than that."""


def translated(error: BaseException, where: Where, path: str = "") -> BackupkeeperError:
    """An error of a library as one of ours."""
    code, status = code_and_status(error)
    detail = f"{code}, HTTP {status}" if code or status else _plain(error)
    cause = cause_of(error)
    if cause is Cause.CLOCK and (apart := _apart(error, where)) is not None:
        detail = apart_words(apart)
    return failure(cause, where, path=path, detail=detail)


def _apart(error: BaseException, where: Where) -> timedelta | None:
    """How far this machine's clock is ahead of the store's, by the answer's own date (RFC 9110, 6.6.1)."""
    if where.now is None or not isinstance(error, ClientError):
        return None
    response: dict[str, Any] = dict(error.response)
    date = response.get("ResponseMetadata", {}).get("HTTPHeaders", {}).get("date")
    try:
        theirs = parsedate_to_datetime(str(date))
        return where.now() - theirs.astimezone(UTC)
    except (ValueError, TypeError, OverflowError):  # a store may write anything there
        return None


@contextmanager
def told(where: Where, path: str = "") -> Iterator[None]:
    """Run calls of the library; whatever it raises leaves as an error of ours."""
    try:
        yield
    except LIBRARY_ERRORS as error:
        raise translated(error, where, path) from error


def _plain(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}"


def _harmless(detail: str) -> str:
    text = "".join(char if char.isprintable() else " " for char in detail)
    text = " ".join(text.split())
    return text if len(text) <= _DETAIL_CHARS else text[: _DETAIL_CHARS - 1] + "…"
