"""Parts side by side: none waits for another's answer, and memory stays bounded all the same."""

import threading
from collections.abc import Iterator
from typing import Any

import pytest

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.core.parts import MOST_AT_ONCE, parts_at_once, parts_held
from tests.real.store import Opener, Server, blocks_of, content_of, made_up

pytest_plugins = ["tests.real.store_fixtures"]

PART = 2 * BLOCK_BYTES
PARTS = 9
DATA = made_up(PARTS * PART)


@pytest.fixture
def bucket(opened: Opener, strict: Server) -> S3Bucket:
    bucket = opened(strict.url, strict.new_bucket())
    bucket.capabilities()
    return bucket


def on_parts(bucket: S3Bucket, when: str, deed: Any) -> None:
    bucket._store.client.meta.events.register(f"{when}.s3.UploadPart", deed)


def test_one_slow_part_holds_up_no_other(bucket: S3Bucket, strict: Server) -> None:
    """The first part's request waits until a later one went than fits beside it at once."""
    others = threading.Event()

    def slow(request: Any, **_: object) -> None:
        if "partNumber=1&" in f"{request.url}&":
            assert others.wait(30), "the others waited for the first part"
        elif f"partNumber={MOST_AT_ONCE + 2}&" in f"{request.url}&":
            others.set()

    on_parts(bucket, "before-send", slow)
    sent = bucket.send("A001.MP4", content_of(DATA), blocks_of(DATA))
    assert sent.entry.size == len(DATA)
    assert b"".join(bucket.fetch("A001.MP4")) == DATA


def test_no_more_parts_are_held_than_travel_and_one(bucket: S3Bucket) -> None:
    lock, landed, most = threading.Lock(), [0], [0]

    def land(**_: object) -> None:
        with lock:
            landed[0] += 1

    def counted() -> Iterator[memoryview]:
        for number, block in enumerate(blocks_of(DATA)):
            with lock:
                most[0] = max(most[0], number * BLOCK_BYTES // PART + 1 - landed[0])
            yield block

    on_parts(bucket, "after-call", land)
    bucket.send("A001.MP4", content_of(DATA), counted())
    assert most[0] <= parts_held(PART, at_once=parts_at_once(PART)) == MOST_AT_ONCE + 1


def test_large_parts_are_made_ready_one_by_one() -> None:
    assert parts_held(16 * 1024 * 1024, at_once=4) == 5
    assert parts_held(64 * 1024 * 1024, at_once=1) == 1
