"""Faults between here and a store, put in at botocore's own ``before-send`` event."""

from collections.abc import Callable
from typing import Any

import urllib3
from botocore.awsrequest import AWSResponse
from botocore.exceptions import ConnectionClosedError, ReadTimeoutError

from backupkeeper.cloud.s3 import S3Bucket

Fault = Callable[[Any], AWSResponse | None]
"""Given a request: an answer in its place, an error raised, or None to let it pass."""


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


def lost(problem: Exception) -> Fault:
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
