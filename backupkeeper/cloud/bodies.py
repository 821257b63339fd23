"""Answers with a body, given up where the library loses them.

When a bad line spoils a header of an answer to GetObject, botocore raises while it reads the headers,
and drops the body with its connection still open, until the garbage collector happens to come by.

Promise: what a request brought and nobody was handed is closed at once.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

_ANSWERED = threading.local()
"""``body``: what the last answer in this thread brought, as long as nobody has it."""


def hold_bodies(client: "S3Client") -> None:
    """Have a client remember the body of an answer before it reads the headers."""
    client.meta.events.register("before-parse.s3.GetObject", _hold)


@contextmanager
def given_up() -> Iterator[None]:
    """Ask for an object; where that fails, close the body that came with the answer."""
    _ANSWERED.body = None
    try:
        yield
    except BaseException:
        close = getattr(_ANSWERED.body, "close", None)  # of an answer that says no it is bytes
        if close is not None:
            close()
        raise
    finally:
        _ANSWERED.body = None


def body_of(client: "S3Client", asked: dict[str, Any], most: int | None = None) -> bytes:
    """The bytes of an object, or its first ``most``; the rest is not waited for.

    Raises:
        Exception: What the library raises.
    """
    with given_up():
        body = client.get_object(**asked)["Body"]
    with body:
        return body.read(most)


def _hold(response_dict: dict[str, Any], **_: object) -> None:
    _ANSWERED.body = response_dict["body"]
