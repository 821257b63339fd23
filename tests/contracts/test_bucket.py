"""The bucket, held to its port on a real store, on the mock, and on a strict one of our own.

Where the two differ, what each was seen to do stands in ``SEEN`` (SEEN.md section 1).
"""

import hashlib
import unicodedata

import pytest

from backupkeeper.cloud.download import fetched
from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import (
    BucketUnreachableError,
    NameTakenError,
    SourceChangedError,
    WriteError,
)
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.bucket import Bucket, Capabilities
from tests.real.store import Opener, Server, StoppedClock, blocks_of, content_of, made_up

pytest_plugins = ["tests.real.store_fixtures"]

SEEN: dict[str, Capabilities] = {
    "moto": Capabilities(
        refuses_wrong=frozenset(),
        conditional_put=True,
        conditional_complete=True,
        versioning=False,
        etag_is_md5=True,
        object_lock=False,
    ),
    "radosgw": Capabilities(
        refuses_wrong=frozenset({"content-md5", "x-amz-content-sha256"}),
        conditional_put=True,
        conditional_complete=False,
        versioning=False,
        etag_is_md5=True,
        object_lock=False,
    ),
    "strict": Capabilities(
        refuses_wrong=frozenset(
            {"content-md5", "x-amz-content-sha256", "sha256", "crc32", "crc64nvme"}
        ),
        conditional_put=True,
        conditional_complete=True,
        versioning=False,
        etag_is_md5=True,
        object_lock=False,
    ),
}
ATTESTED = {
    "moto": (),
    "radosgw": ("content-md5", "x-amz-content-sha256"),
    "strict": ("content-md5", "x-amz-content-sha256", "sha256"),
}
ATTESTED_IN_PARTS = {
    name: tuple(check for check in checks if check != "content-md5")
    for name, checks in ATTESTED.items()
}
"""Parts travel without MD5 where a SHA-256 of theirs is enforced."""

SIZES = [0, 1, BLOCK_BYTES, 2 * BLOCK_BYTES, 2 * BLOCK_BYTES + 1, 5 * BLOCK_BYTES + 12_345]
"""With parts of two blocks: one piece up to two blocks, parts beyond."""


@pytest.fixture
def name(server: Server) -> str:
    return server.new_bucket()


@pytest.fixture
def bucket(opened: Opener, server: Server, name: str) -> S3Bucket:
    return opened(server.url, f"{name}/shelf/one")


def test_the_bucket_keeps_to_its_port(bucket: S3Bucket) -> None:
    port: Bucket = bucket
    assert port.look("nothing") is None


def test_what_the_store_refuses_is_found_out_by_trying(bucket: S3Bucket, server: Server) -> None:
    assert bucket.capabilities() == SEEN[server.name]
    assert bucket.capabilities() is bucket.capabilities()


def test_trying_leaves_nothing_behind(bucket: S3Bucket, server: Server, name: str) -> None:
    bucket.capabilities()
    assert server.keys(name) == []
    assert server.uploads(name) == []


def test_trying_leaves_nothing_behind_where_versions_are_kept(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    server.client.put_bucket_versioning(Bucket=name, VersioningConfiguration={"Status": "Enabled"})
    can = bucket.capabilities()
    assert can.versioning
    assert can.left_behind == ()
    answer = server.client.list_object_versions(Bucket=name)
    assert answer.get("Versions", []) == []
    assert answer.get("DeleteMarkers", []) == []


@pytest.mark.slow
@pytest.mark.parametrize("size", SIZES)
def test_a_file_arrives_whole_and_comes_back(
    bucket: S3Bucket, server: Server, name: str, size: int
) -> None:
    data = made_up(size)
    content = content_of(data)
    sent = bucket.send("260612 Boatyard/A001.MP4", content, blocks_of(data))
    assert (sent.entry.key, sent.entry.size) == ("260612 Boatyard/A001.MP4", size)
    in_parts = size > 2 * BLOCK_BYTES
    assert sent.attested_by == (ATTESTED_IN_PARTS if in_parts else ATTESTED)[server.name]
    assert bucket.look(sent.entry.key) == sent.entry
    stored = server.client.get_object(Bucket=name, Key="shelf/one/260612 Boatyard/A001.MP4")
    assert hashlib.sha256(stored["Body"].read()).digest() == hashlib.sha256(data).digest()
    assert stored["Metadata"]["backupkeeper-blake3"] == content.blake3
    assert stored["Metadata"]["backupkeeper-xxh128"] == content.xxh128
    blocks = [bytes(block) for block in bucket.fetch(sent.entry.key)]
    assert b"".join(blocks) == data
    assert all(len(block) == BLOCK_BYTES for block in blocks[:-1])
    assert server.uploads(name) == []


@pytest.mark.parametrize("size", [10, 3 * BLOCK_BYTES])
def test_nothing_is_ever_overwritten(
    bucket: S3Bucket, server: Server, name: str, size: int
) -> None:
    first, second = made_up(100), made_up(size, seed=1)
    bucket.send("A001.MP4", content_of(first), blocks_of(first))
    with pytest.raises(NameTakenError, match=r"stands at A001\.MP4"):
        bucket.send("A001.MP4", content_of(second), blocks_of(second))
    assert b"".join(bucket.fetch("A001.MP4")) == first
    assert server.uploads(name) == []


@pytest.mark.parametrize("size", [10, 3 * BLOCK_BYTES])
@pytest.mark.parametrize("real_size", [-1, +1])
def test_a_file_of_another_size_than_announced_is_not_sent(
    bucket: S3Bucket, server: Server, name: str, size: int, real_size: int
) -> None:
    with pytest.raises(SourceChangedError):
        bucket.send("A001.MP4", content_of(made_up(size)), blocks_of(made_up(size + real_size)))
    assert server.keys(name) == []
    assert server.uploads(name) == []


def test_another_who_puts_the_same_name_meanwhile_keeps_it(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    data = made_up(3 * BLOCK_BYTES)

    def meanwhile() -> object:
        for number, block in enumerate(blocks_of(data)):
            if number == 2:
                server.client.put_object(Bucket=name, Key="shelf/one/A001.MP4", Body=b"theirs")
            yield block

    with pytest.raises(NameTakenError):
        bucket.send("A001.MP4", content_of(data), meanwhile())  # type: ignore[arg-type]  # a generator
    assert b"".join(bucket.fetch("A001.MP4")) == b"theirs"
    assert server.uploads(name) == []


def test_ctrl_c_leaves_no_upload_and_no_thread(bucket: S3Bucket, server: Server, name: str) -> None:
    data = made_up(6 * BLOCK_BYTES)

    def interrupted() -> object:
        for number, block in enumerate(blocks_of(data)):
            if number == 5:
                raise KeyboardInterrupt
            yield block

    with pytest.raises(KeyboardInterrupt):
        bucket.send("A001.MP4", content_of(data), interrupted())  # type: ignore[arg-type]  # a generator
    assert server.keys(name) == []
    assert server.uploads(name) == []


def test_a_version_is_noted_and_can_be_asked_for(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    server.client.put_bucket_versioning(Bucket=name, VersioningConfiguration={"Status": "Enabled"})
    data = made_up(3 * BLOCK_BYTES)
    sent = bucket.send("A001.MP4", content_of(data), blocks_of(data))
    assert sent.entry.version
    server.client.put_object(Bucket=name, Key="shelf/one/A001.MP4", Body=b"newer")
    assert b"".join(bucket.fetch("A001.MP4")) == b"newer"
    assert b"".join(bucket.fetch("A001.MP4", version=sent.entry.version)) == data
    gone = server.client.delete_object(Bucket=name, Key="shelf/one/A001.MP4")
    assert bucket.look("A001.MP4") is None
    assert bucket.look("A001.MP4", version=sent.entry.version) == sent.entry
    assert bucket.look("A001.MP4", version=gone["VersionId"]) is None


ODD = [
    "plain.txt",
    "two words.txt",
    "a+b%20&#?=.mov",
    unicodedata.normalize("NFC", "Café.wav"),
    unicodedata.normalize("NFD", "Café.wav"),
    "⛵.mp4",
    "line\nbreak\x01.txt",
    "bytes\udcff.txt",
    "back\\slash",
    "../up",
    "./here",
    "dot.",
    "~tilde'quote\"<&>",
    "\uffff",
]


def test_odd_names_come_back_as_they_were(bucket: S3Bucket) -> None:
    for odd in ODD:
        data = odd.encode("utf-8", "surrogateescape")
        bucket.send_small(f"Roll 01/{odd}", data)
    for odd in ODD:
        data = odd.encode("utf-8", "surrogateescape")
        assert b"".join(bucket.fetch(f"Roll 01/{odd}")) == data
    assert {entry.key for entry in bucket.listing()} == {f"Roll 01/{odd}" for odd in ODD}


@pytest.mark.slow
def test_a_listing_goes_on_over_pages_and_stays_below(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    for number in range(1_005):
        server.client.put_object(Bucket=name, Key=f"shelf/one/a/{number:04}", Body=b"x")
    for foreign in ("shelf/one/b.", "shelf/one/folder/", "shelf/two", "shelf/one/%41", "other"):
        server.client.put_object(Bucket=name, Key=foreign, Body=b"")
    assert [entry.key for entry in bucket.listing()] == [f"a/{n:04}" for n in range(1_005)]
    assert [entry.key for entry in bucket.listing("a/100")] == [
        f"a/{n}" for n in range(1_000, 1_005)
    ]
    assert all(entry.size == 1 and entry.etag for entry in bucket.listing("a/1"))
    assert list(bucket.listing("b")) == []


def test_the_longest_key_goes_up_and_a_longer_one_is_told(bucket: S3Bucket) -> None:
    longest = "x" * (1024 - len("shelf/one/"))
    bucket.send_small(longest, b"here")
    assert bucket.look(longest) is not None
    with pytest.raises(WriteError, match="ENAMETOOLONG"):
        bucket.send_small(longest + "x", b"here")


def test_a_small_file_is_not_sent_twice_and_never_replaced_unasked(bucket: S3Bucket) -> None:
    first = bucket.send_small("ascmhl/0001.mhl", b"one")
    again = bucket.send_small("ascmhl/0001.mhl", b"one")
    assert again.entry == first.entry
    assert again.attested_by == ()
    for other in (b"two", b"longer"):
        with pytest.raises(NameTakenError):
            bucket.send_small("ascmhl/0001.mhl", other)
    assert b"".join(bucket.fetch("ascmhl/0001.mhl")) == b"one"


def test_a_small_file_is_replaced_where_that_is_asked(bucket: S3Bucket, server: Server) -> None:
    bucket.send_small("chain.xml", b"one")
    sent = bucket.send_small("chain.xml", b"two!", replace=True)
    assert (sent.entry.size, sent.attested_by) == (4, ATTESTED[server.name])
    assert b"".join(bucket.fetch("chain.xml")) == b"two!"


@pytest.mark.slow
def test_a_snapshot_larger_than_a_part_goes_up_in_one_piece(
    bucket: S3Bucket, server: Server
) -> None:
    data = made_up(17 * 1024 * 1024)
    for replace in (False, True, False):
        bucket.send_small(".backupkeeper/catalog", data, replace=replace)
    assert b"".join(bucket.fetch(".backupkeeper/catalog")) == data


def test_an_object_that_is_not_there_can_not_be_fetched(bucket: S3Bucket) -> None:
    with pytest.raises(BucketUnreachableError, match=r"A001\.MP4 is not in the bucket"):
        list(bucket.fetch("A001.MP4"))


def test_an_object_replaced_while_it_is_fetched_is_told(
    bucket: S3Bucket, server: Server, name: str
) -> None:
    data = made_up(100)
    bucket.send_small("A001.MP4", data)
    entry = bucket.look("A001.MP4")
    assert entry is not None
    server.client.put_object(Bucket=name, Key="shelf/one/A001.MP4", Body=made_up(100, seed=3))
    with pytest.raises(SourceChangedError):
        list(fetched(bucket._store, "A001.MP4", entry, version=None))


def test_no_bucket_is_told_and_never_taken_for_an_empty_one(opened: Opener, server: Server) -> None:
    bucket = opened(server.url, "boatyard-nowhere/shelf")
    told = "There is no bucket boatyard-nowhere"
    with pytest.raises(BucketUnreachableError, match=told):
        bucket.look("A001.MP4")
    with pytest.raises(BucketUnreachableError, match=told):
        bucket.capabilities()
    with pytest.raises(BucketUnreachableError, match=told):
        list(bucket.listing())
    with pytest.raises(BucketUnreachableError, match=told):
        bucket.send_small("A001.MP4", b"x")


def test_a_bucket_that_goes_away_is_noticed_a_minute_later(
    opened: Opener, server: Server, name: str
) -> None:
    clock = StoppedClock()
    bucket = opened(server.url, name, clock=clock)
    assert bucket.look("A001.MP4") is None
    server.client.delete_bucket(Bucket=name)
    clock.seconds = 61
    with pytest.raises(BucketUnreachableError, match="There is no bucket"):
        bucket.look("A001.MP4")
