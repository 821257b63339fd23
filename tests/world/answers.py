"""Answers made up in place of a store's, for botocore's ``before-send`` event."""

import io
from typing import Any

from botocore.awsrequest import AWSResponse, HeadersDict


class _Raw(io.BytesIO):
    def stream(self, *_: object, **__: object) -> Any:
        while piece := self.read(4096):
            yield piece


def answer(url: str, status: int, body: str | bytes = b"", **headers: str) -> AWSResponse:
    """An answer of a server: status, headers (``_`` for ``-``) and body."""
    data = body.encode() if isinstance(body, str) else body
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    told: Any = HeadersDict({"Content-Length": str(len(data)), **named})
    return AWSResponse(url, status, told, _Raw(data))


def error(url: str, status: int, code: str) -> AWSResponse:
    """An error as a store tells it."""
    return answer(url, status, f"<Error><Code>{code}</Code><Message>no</Message></Error>")
