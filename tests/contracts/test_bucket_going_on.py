"""Uploads in parts that are interrupted and gone on with: the port on a real store and on the mock."""

from collections.abc import Iterator
from dataclasses import replace
from threading import Semaphore
from typing import Any

import pytest

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import BucketUnreachableError, NameTakenError
from backupkeeper.core.model import BLOCK_BYTES
from tests.contracts.test_bucket import ATTESTED_IN_PARTS
from tests.real.store import Opener, Server, blocks_of, content_of, made_up
from tests.world.answers import error
from tests.world.faults import put_in
from tests.world.remembering import Remembered

pytest_plugins = ["tests.real.store_fixtures"]

PART = 2 * BLOCK_BYTES
DATA = made_up(4 * PART + 12_345)  # five parts
CONTENT = content_of(DATA)
KEY = "260612 Boatyard/A001.MP4"


@pytest.fixture
def name(server: Server) -> str:
    return server.new_bucket()


@pytest.fixture
def bucket(opened: Opener, server: Server, name: str) -> S3Bucket:
    return opened(server.url, f"{name}/shelf/one")


def begun(bucket: S3Bucket, memory: Remembered, *, after: int = 3) -> None:
    """Ctrl-C once so many whole parts were read, and the store has answered to them."""
    bucket.capabilities()  # its own parts are not counted
    answered = Semaphore(0)

    def interrupted() -> Iterator[memoryview]:
        for number, block in enumerate(blocks_of(DATA)):
            if number == 2 * after:
                for _ in range(after):
                    assert answered.acquire(timeout=60)
                raise KeyboardInterrupt
            yield block

    events: Any = bucket._store.client.meta.events
    name = "after-call.s3.UploadPart"
    events.register(name, lambda **_: answered.release(), unique_id="begun")
    try:
        with pytest.raises(KeyboardInterrupt):
            bucket.send(KEY, CONTENT, interrupted(), memory=memory)
    finally:
        events.unregister(name, unique_id="begun")


def parts_sent(bucket: S3Bucket) -> list[str]:
    return put_in(bucket, "UploadPart", lambda request: None)


def numbers(asked: list[str]) -> set[int]:
    return {int(url.partition("partNumber=")[2].partition("&")[0]) for url in asked}


def listed(server: Server, name: str, memory: Remembered) -> set[int]:
    assert memory.known is not None
    answer = server.client.list_parts(
        Bucket=name, Key=f"shelf/one/{KEY}", UploadId=memory.known.upload
    )
    return {part["PartNumber"] for part in answer.get("Parts", [])}


def only_the_rest(asked: list[str], there: set[int]) -> None:
    """What was there is not sent again; what arrived after it was looked at need not be."""
    assert numbers(asked) & there == set()
    assert 5 in numbers(asked)
    assert len(asked) == len(numbers(asked))


def test_what_arrived_before_ctrl_c_is_not_sent_again(
    bucket: S3Bucket, opened: Opener, server: Server, name: str
) -> None:
    memory = Remembered()
    begun(bucket, memory)
    there = listed(server, name, memory)
    assert memory.told == ["begun"]
    assert server.keys(name) == []
    # Another process, on another day: nothing is left of the first but what was remembered.
    second = opened(server.url, f"{name}/shelf/one")
    second.capabilities()
    asked = parts_sent(second)
    sent = second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    only_the_rest(asked, there)
    assert sent.attested_by == ATTESTED_IN_PARTS[server.name]
    assert second.look(KEY) == sent.entry
    assert b"".join(second.fetch(KEY)) == DATA
    assert server.uploads(name) == []
    assert memory.told == ["begun"]  # who records the outcome forgets it


def test_an_upload_is_gone_on_with_in_the_parts_in_which_it_was_begun(
    bucket: S3Bucket, opened: Opener, server: Server, name: str
) -> None:
    memory = Remembered()
    begun(bucket, memory)
    there = listed(server, name, memory)
    second = opened(server.url, f"{name}/shelf/one", usual_part=16 * 1024 * 1024)
    second.capabilities()
    asked = parts_sent(second)
    second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    only_the_rest(asked, there)
    assert b"".join(second.fetch(KEY)) == DATA


def test_a_part_of_other_bytes_is_sent_again(bucket: S3Bucket, server: Server, name: str) -> None:
    memory = Remembered()
    begun(bucket, memory, after=4)
    assert memory.known is not None
    server.client.upload_part(
        Bucket=name, Key=f"shelf/one/{KEY}", UploadId=memory.known.upload,
        PartNumber=1, Body=made_up(PART, seed=9),
    )  # fmt: skip
    asked = parts_sent(bucket)
    bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert 1 in numbers(asked)
    assert b"".join(bucket.fetch(KEY)) == DATA


def test_an_upload_that_somebody_removed_is_begun_anew(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    memory = Remembered()
    begun(bucket, memory)
    assert memory.known is not None
    gone = memory.known
    server.client.abort_multipart_upload(Bucket=name, Key=f"shelf/one/{KEY}", UploadId=gone.upload)
    bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert memory.told == ["begun", "forgotten", "begun"]
    assert memory.known != gone
    assert b"".join(bucket.fetch(KEY)) == DATA
    assert server.uploads(name) == []


def test_an_upload_with_parts_that_are_not_ours_is_begun_anew(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    memory = Remembered()
    begun(bucket, memory)
    assert memory.known is not None
    server.client.upload_part(
        Bucket=name, Key=f"shelf/one/{KEY}", UploadId=memory.known.upload,
        PartNumber=6, Body=b"a sixth of five",
    )  # fmt: skip
    bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert memory.told == ["begun", "forgotten", "begun"]
    assert b"".join(bucket.fetch(KEY)) == DATA
    assert server.uploads(name) == []


def test_an_object_that_came_into_being_unseen_is_recognised_and_not_sent_again(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    """Killed after the store had put the parts together, before anybody wrote that down."""
    memory = Remembered()
    first = bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    asked = put_in(bucket, "UploadPart", lambda request: None)
    assert bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory) == replace(
        first, race_excluded=False, found=True
    )
    assert asked == []
    assert server.uploads(name) == []


def test_where_another_object_took_the_key_meanwhile_ours_is_given_up(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    memory = Remembered()
    begun(bucket, memory)
    server.client.put_object(Bucket=name, Key=f"shelf/one/{KEY}", Body=b"theirs")
    with pytest.raises(NameTakenError):
        bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert memory.told == ["begun", "forgotten"]
    assert server.uploads(name) == []
    assert b"".join(bucket.fetch(KEY)) == b"theirs"


def test_giving_up_removes_ours_and_leaves_others_alone(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    memory = Remembered()
    begun(bucket, memory)
    assert memory.known is not None
    server.client.create_multipart_upload(Bucket=name, Key=f"shelf/one/{KEY}")
    bucket.give_up(memory.known)
    bucket.give_up(memory.known)
    assert server.uploads(name) == [f"shelf/one/{KEY}"]


def test_a_list_of_parts_goes_on_over_pages(bucket: S3Bucket) -> None:
    memory = Remembered()
    bucket.capabilities()
    put_in(
        bucket,
        "CompleteMultipartUpload",
        lambda request: error(request.url, 403, "AccessDenied"),
        times=1,
    )
    with pytest.raises(BucketUnreachableError):
        bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)

    def two_a_page(params: dict[str, object], **_: object) -> None:
        params["MaxParts"] = 2

    bucket._store.client.meta.events.register("before-parameter-build.s3.ListParts", two_a_page)
    pages = put_in(bucket, "ListParts", lambda request: None)
    asked = parts_sent(bucket)
    bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert len(pages) == 3
    assert asked == []
    assert b"".join(bucket.fetch(KEY)) == DATA
