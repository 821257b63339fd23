"""Uploads that another machine began, gone on with here: the port on each store."""

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import Any

import pytest

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import BucketUnreachableError, NameTakenError, UploadLostError
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.core.uploads import Begun
from tests.contracts.test_bucket import ATTESTED, ATTESTED_IN_PARTS
from tests.contracts.test_bucket_going_on import (
    CONTENT,
    DATA,
    KEY,
    PART,
    begun,
    only_the_rest,
)
from tests.real.store import Opener, Server, blocks_of, content_of, made_up
from tests.world.faults import put_in
from tests.world.remembering import Remembered

pytest_plugins = ["tests.real.store_fixtures"]

WHOLE = f"shelf/one/{KEY}"


@pytest.fixture
def name(server: Server) -> str:
    return server.new_bucket()


@pytest.fixture
def first(opened: Opener, server: Server, name: str) -> S3Bucket:
    return opened(server.url, f"{name}/shelf/one")


@pytest.fixture
def second(opened: Opener, server: Server, name: str) -> S3Bucket:
    """Another machine's."""
    bucket = opened(server.url, f"{name}/shelf/one")
    bucket.capabilities()
    return bucket


def parts_sent(bucket: S3Bucket) -> list[str]:
    return put_in(bucket, "UploadPart", lambda request: None)


def arrived(server: Server, name: str, upload: str) -> set[int]:
    answer = server.client.list_parts(Bucket=name, Key=WHOLE, UploadId=upload)
    return {part["PartNumber"] for part in answer.get("Parts", [])}


def said_of(first: S3Bucket, **changes: Any) -> Remembered:
    """What the second machine hears of an upload that the first was interrupted in."""
    own = Remembered()
    begun(first, own)
    assert own.known is not None
    return Remembered(said=[replace(own.known, enforced=(), **changes)])


def test_what_another_machine_sent_is_not_sent_again(
    first: S3Bucket, second: S3Bucket, server: Server, name: str
) -> None:
    memory = said_of(first)
    there = arrived(server, name, memory.said[0].upload)
    assert there
    asked = parts_sent(second)
    sent = second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    only_the_rest(asked, there)
    # Of what was enforced when they sent it, only what the list shows: no signed hash of a body.
    # MD5 travels on where it is the only one of those.
    listed = {"moto": (), "radosgw": ("content-md5",), "strict": ("sha256",)}
    assert sent.attested_by == listed[server.name]
    assert second.look(KEY) == sent.entry
    assert b"".join(second.fetch(KEY)) == DATA
    assert server.uploads(name) == []
    assert memory.told == []  # it is not ours to be remembered


def test_of_several_the_one_of_which_most_is_there_is_gone_on_with(
    first: S3Bucket, second: S3Bucket, server: Server, name: str
) -> None:
    memory = said_of(first)
    empty = server.client.create_multipart_upload(Bucket=name, Key=WHOLE)["UploadId"]
    gone = replace(memory.said[0], upload="gone")
    memory.said[:0] = [replace(memory.said[0], upload=empty), gone]
    there = arrived(server, name, memory.said[-1].upload)
    asked = parts_sent(second)
    second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    only_the_rest(asked, there)
    assert server.uploads(name) == [WHOLE]  # not ours, so not removed


HEARSAY: dict[str, Callable[[Begun], Begun]] = {
    "an upload that is gone": lambda said: replace(said, upload="gone"),
    "an id that is none": lambda said: replace(said, upload="../?a=b&uploads"),
    "an id longer than any": lambda said: replace(said, upload="x" * 1024),
    "parts larger than ours": lambda said: replace(said, part_bytes=8 * PART),
    "parts smaller than a store takes": lambda said: replace(said, part_bytes=BLOCK_BYTES),
    "parts of half a block": lambda said: replace(said, part_bytes=PART + BLOCK_BYTES // 2),
    "other parts": lambda said: replace(said, part_bytes=PART + BLOCK_BYTES),
    "a check that is not sent": lambda said: replace(said, check="sha1"),
}


@pytest.mark.parametrize("what", HEARSAY)
def test_hearsay_that_is_wrong_leads_to_an_upload_of_ones_own_and_harms_nobody_s(
    first: S3Bucket, second: S3Bucket, server: Server, name: str, what: str
) -> None:
    memory = said_of(first)
    (said,) = memory.said
    there = arrived(server, name, said.upload)
    memory.said = [HEARSAY[what](said)]
    try:
        sent = second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    except UploadLostError:
        sent = second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert sent.attested_by == ATTESTED_IN_PARTS[server.name]
    assert memory.told[-1] == "begun"
    assert b"".join(second.fetch(KEY)) == DATA
    assert server.uploads(name) == [WHOLE]
    assert arrived(server, name, said.upload) == there


def test_an_upload_with_other_bytes_is_left_as_it_is(
    first: S3Bucket, second: S3Bucket, server: Server, name: str
) -> None:
    """Somebody says that this is our file; nothing is sent over what is there."""
    other = made_up(len(DATA), seed=5)
    own = Remembered()

    def has_arrived() -> bool:
        return own.known is not None and bool(arrived(server, name, own.known.upload))

    with pytest.raises(KeyboardInterrupt):
        first.send(KEY, content_of(other), _cut(other, has_arrived), memory=own)
    assert own.known is not None
    listed = server.client.list_parts(Bucket=name, Key=WHOLE, UploadId=own.known.upload)["Parts"]
    memory = Remembered(said=[replace(own.known, content=CONTENT.blake3)])
    with pytest.raises(UploadLostError):
        second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert memory.told == ["forgotten"]
    second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert memory.told == ["forgotten", "begun"]
    assert b"".join(second.fetch(KEY)) == DATA
    after = server.client.list_parts(Bucket=name, Key=WHOLE, UploadId=own.known.upload)["Parts"]
    assert [part["ETag"] for part in after] == [part["ETag"] for part in listed]


def _cut(data: bytes, has_arrived: Callable[[], bool] = lambda: True) -> Iterator[memoryview]:
    """Blocks of a file, cut short once something has arrived."""
    yield from islice(blocks_of(data), 6)
    for _ in range(1200):  # a minute: the store takes its time
        if has_arrived():
            break
        threading.Event().wait(0.05)
    raise KeyboardInterrupt


def test_an_upload_of_another_key_is_not_taken(
    first: S3Bucket, second: S3Bucket, server: Server, name: str
) -> None:
    """The mock asks of no upload which key it is for: there its own parts must save it."""
    key = "260612 Boatyard/A002.MP4"
    own = Remembered()
    other = made_up(len(DATA), seed=5)
    with pytest.raises(KeyboardInterrupt):
        first.send(key, content_of(other), _cut(other), memory=own)
    assert own.known is not None
    memory = Remembered(said=[replace(own.known, key=KEY, content=CONTENT.blake3)])
    try:
        second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    except UploadLostError:
        second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert b"".join(second.fetch(KEY)) == DATA
    first.send(key, content_of(other), blocks_of(other), memory=own)
    assert b"".join(first.fetch(key)) == other


def both_at_once(
    first: S3Bucket, second: S3Bucket, own: Remembered, memory: Remembered, *, when: str
) -> None:
    """While the second machine goes on, the first ends the upload, at its request ``when``."""
    done = False

    def end_it(request: Any) -> None:
        nonlocal done
        if not done:
            done = True
            first.send(KEY, CONTENT, blocks_of(DATA), memory=own)

    put_in(second, when, end_it)
    try:
        second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    finally:
        assert done


@pytest.mark.parametrize("when", ["UploadPart", "CompleteMultipartUpload"])
def test_two_machines_at_one_upload_do_each_other_no_harm(
    first: S3Bucket, second: S3Bucket, server: Server, name: str, when: str
) -> None:
    own = Remembered()
    begun(first, own)
    assert own.known is not None
    memory = Remembered(said=[own.known])
    try:
        both_at_once(first, second, own, memory, when=when)
    except BucketUnreachableError:  # the upload is lost (the mock says 500 to that)
        asked = parts_sent(second)
        sent = second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
        assert asked == []  # the object is known by its ticket, and compared by its ETag
        assert ("content-md5" in sent.attested_by) == bool(ATTESTED[server.name])
    assert memory.told == []
    assert own.told == ["begun"]
    assert b"".join(second.fetch(KEY)) == DATA
    assert server.keys(name) == [WHOLE]
    assert server.uploads(name) == []


def test_the_machine_that_began_it_finds_what_another_made_of_it(
    first: S3Bucket, second: S3Bucket, server: Server, name: str
) -> None:
    own = Remembered()
    begun(first, own)
    assert own.known is not None
    second.send(KEY, CONTENT, blocks_of(DATA), memory=Remembered(said=[own.known]))
    asked = parts_sent(first)
    sent = first.send(KEY, CONTENT, blocks_of(DATA), memory=own)
    assert asked == []
    assert sent.attested_by == ATTESTED_IN_PARTS[server.name]
    assert own.told == ["begun"]


def test_an_object_with_the_ticket_that_was_said_and_other_bytes_is_not_ours(
    first: S3Bucket, second: S3Bucket, server: Server, name: str
) -> None:
    memory = said_of(first)
    server.client.put_object(
        Bucket=name, Key=WHOLE, Body=DATA[:-1] + b"x",
        Metadata={"backupkeeper-upload": memory.said[0].ticket},
    )  # fmt: skip
    with pytest.raises(NameTakenError):
        second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert not second.doubts  # the store did nothing wrong
    assert server.uploads(name) == [WHOLE]


def test_another_object_under_the_key_is_told_and_their_upload_left_alone(
    first: S3Bucket, second: S3Bucket, server: Server, name: str
) -> None:
    memory = said_of(first)
    server.client.put_object(Bucket=name, Key=WHOLE, Body=b"theirs")
    with pytest.raises(NameTakenError):
        second.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert server.uploads(name) == [WHOLE]


def test_a_file_in_one_piece_asks_nobody(second: S3Bucket) -> None:
    class Deaf(Remembered):
        def others(self) -> list[Begun]:
            raise AssertionError

    small = made_up(BLOCK_BYTES)
    second.send(KEY, content_of(small), blocks_of(small), memory=Deaf())


def test_when_the_last_part_came_is_the_store_s_word(
    first: S3Bucket, second: S3Bucket, server: Server, name: str
) -> None:
    memory = said_of(first)
    (said,) = memory.said
    last = second.last_part(said)
    assert last is not None
    assert abs(datetime.now(UTC) - last) < timedelta(minutes=5)
    assert second.last_part(replace(said, upload="gone")) is None
    empty = server.client.create_multipart_upload(Bucket=name, Key=WHOLE)["UploadId"]
    assert second.last_part(replace(said, upload=empty)) is None
