"""Parts without MD5: where that is so, what their answers are held against, what goes on from them."""

import hashlib
from base64 import b64encode
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from itertools import count
from typing import Any

import pytest

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import AttestationRefusedError, BucketUnreachableError
from backupkeeper.core.model import BLOCK_BYTES
from tests.real.store import Opener, Server, blocks_of, content_of, made_up
from tests.world.answers import answer, error
from tests.world.faults import put_in
from tests.world.refusing_store import CHECKS, Rules, refusing_store
from tests.world.remembering import Remembered

pytest_plugins = ["tests.real.store_fixtures"]

PART = 2 * BLOCK_BYTES
DATA = made_up(2 * PART + 1_000)
CONTENT = content_of(DATA)
PIECES = [DATA[at : at + PART] for at in range(0, len(DATA), PART)]
HASHES = [hashlib.sha256(piece).hexdigest() for piece in PIECES]
KEY = "A001.MP4"
HASH = "x-amz-content-sha256"


@pytest.fixture
def rules() -> Rules:
    """Of a store that enforces what old ones do, and has no object lock."""
    both = frozenset({"content-md5", HASH})
    return Rules(refuses_on_put=both, refuses_on_part=both, has_lock=False)


@pytest.fixture
def url(rules: Rules) -> Iterator[str]:
    with refusing_store(rules) as address:
        yield address


@pytest.fixture
def tried(opened: Opener, url: str) -> S3Bucket:
    bucket = opened(url, "boatyard/shelf")
    bucket.capabilities()
    return bucket


@pytest.fixture(params=["strict", pytest.param("radosgw", marks=pytest.mark.real("store"))])
def server(request: pytest.FixtureRequest) -> Server:
    found: Server = request.getfixturevalue(request.param)
    return found


def headers_of(bucket: S3Bucket, *operations: str) -> list[dict[str, str]]:
    """Fills with the headers of requests, as they leave."""
    seen: list[dict[str, str]] = []

    def look(request: Any, **_: object) -> None:
        seen.append(
            {
                name.lower(): value.decode() if isinstance(value, bytes) else value
                for name, value in request.headers.items()
            }
        )

    for operation in operations:
        bucket._store.client.meta.events.register(f"before-send.s3.{operation}", look)
    return seen


def test_parts_travel_without_md5_and_are_attested_by_their_signed_hash(
    opened: Opener, server: Server
) -> None:
    bucket = opened(server.url, server.new_bucket())
    can = bucket.capabilities()
    seen = headers_of(bucket, "UploadPart")
    sent = bucket.send(KEY, CONTENT, blocks_of(DATA))
    assert sorted(headers[HASH] for headers in seen) == sorted(HASHES)
    assert all("content-md5" not in headers for headers in seen)
    assert set(sent.attested_by) == can.refuses_wrong & {HASH, "sha256"}
    assert HASH in sent.attested_by
    # What HEAD says was compared all the same: MD5 of the MD5s that the parts' answers named.
    digests = b"".join(hashlib.md5(piece).digest() for piece in PIECES)
    assert sent.entry.etag == f"{hashlib.md5(digests).hexdigest()}-{len(PIECES)}"
    assert b"".join(bucket.fetch(KEY)) == DATA


def test_what_is_sent_in_one_piece_keeps_its_md5(opened: Opener, server: Server) -> None:
    bucket = opened(server.url, server.new_bucket())
    bucket.capabilities()
    seen = headers_of(bucket, "PutObject")
    data = made_up(1_000)
    assert "content-md5" in bucket.send(KEY, content_of(data), blocks_of(data)).attested_by
    assert all("content-md5" in headers for headers in seen)


@pytest.mark.parametrize("has_lock", [True, None])
def test_where_objects_may_be_locked_md5_travels(
    opened: Opener, url: str, rules: Rules, has_lock: bool | None
) -> None:
    """STANDARDS section 7.4: what is locked needs MD5 or an ``x-amz-checksum-*``."""
    rules.has_lock = has_lock
    bucket = opened(url, "boatyard/shelf")
    bucket.capabilities()
    seen = headers_of(bucket, "UploadPart")
    assert bucket.send(KEY, CONTENT, blocks_of(DATA)).attested_by == ("content-md5", HASH)
    assert all("content-md5" in headers for headers in seen)


@pytest.mark.parametrize(("operation", "size"), [("PutObject", 1_000), ("UploadPart", len(DATA))])
def test_a_copy_that_went_wrong_in_memory_is_refused(
    tried: S3Bucket, rules: Rules, operation: str, size: int
) -> None:
    """The hash that is signed is that of the bytes that were checked, not of the copy."""
    rules.refuses_on_put = rules.refuses_on_part = frozenset({HASH})

    def rot(params: dict[str, Any], **_: object) -> None:
        params["Body"].getbuffer()[-1] ^= 1

    tried._store.client.meta.events.register(f"provide-client-params.s3.{operation}", rot)
    data = DATA[:size]
    with pytest.raises(AttestationRefusedError):
        tried.send(KEY, content_of(data), blocks_of(data))
    assert rules.objects == {}


def test_a_part_that_is_sent_again_is_signed_with_the_same_hash(tried: S3Bucket) -> None:
    put_in(tried, "UploadPart", lambda r: error(r.url, 500, "InternalError"), times=2)
    seen = headers_of(tried, "UploadPart")
    tried.send(KEY, CONTENT, blocks_of(DATA))
    assert len(seen) == len(PIECES) + 2
    assert {headers[HASH] for headers in seen} == set(HASHES)


def etag(data: bytes) -> str:
    return f'"{hashlib.md5(data).hexdigest()}"'


WRONG_ANSWERS: dict[str, Callable[[int], dict[str, str]]] = {
    "an ETag that is no MD5": lambda number: {"ETag": '"abc"'},
    "the ETag of an object in parts": lambda number: {"ETag": f'"{"0" * 32}-2"'},
    "the ETag of the part before": lambda number: {"ETag": etag(PIECES[max(number - 2, 0)])},
}


@pytest.mark.parametrize("told", WRONG_ANSWERS)
def test_answers_that_can_be_none_to_these_parts_are_not_believed(
    tried: S3Bucket, rules: Rules, told: str
) -> None:
    """The store takes any list of parts at the end: nothing but the comparing is in the way."""

    def lie(request: Any) -> Any:
        number = int(request.url.partition("partNumber=")[2].partition("&")[0])
        upload = request.url.partition("uploadId=")[2].partition("&")[0]
        rules.uploads[upload][1][number] = PIECES[number - 1]
        return answer(request.url, 200, **WRONG_ANSWERS[told](number))

    put_in(tried, "UploadPart", lie)
    with pytest.raises(AttestationRefusedError):
        tried.send(KEY, CONTENT, blocks_of(DATA))


@pytest.mark.parametrize("right", [True, False])
def test_a_checksum_in_the_answer_is_compared(
    opened: Opener, url: str, rules: Rules, right: bool
) -> None:
    rules.refuses_on_put = rules.refuses_on_part = frozenset({"sha256"})
    rules.opaque_etags = True
    bucket = opened(url, "boatyard/shelf")
    bucket.capabilities()
    numbers = count(1)

    def tell(request: Any) -> Any:
        number = int(request.url.partition("partNumber=")[2].partition("&")[0])
        upload = request.url.partition("uploadId=")[2].partition("&")[0]
        rules.uploads[upload][1][number] = PIECES[number - 1]
        told = PIECES[number - 1] if right or next(numbers) < len(PIECES) else b"others"
        digest = b64encode(hashlib.sha256(told).digest()).decode()
        return answer(request.url, 200, ETag='"opaque"', **{"x-amz-checksum-sha256": digest})

    put_in(bucket, "UploadPart", tell)
    with ExitStack() as stack:
        if not right:
            stack.enter_context(pytest.raises(AttestationRefusedError))
        sent = bucket.send(KEY, CONTENT, blocks_of(DATA))
        assert sent.attested_by == ("sha256",)


@pytest.mark.parametrize("other", [False, True])
def test_a_part_that_is_there_already_is_compared_by_its_md5(
    opened: Opener, server: Server, other: bool
) -> None:
    """One that the store has, and one in whose place somebody put other bytes of the same size."""
    name = server.new_bucket()
    bucket, memory = opened(server.url, name), Remembered()
    bucket.capabilities()
    broken = True

    def no_last_part(request: Any) -> Any:
        cut = broken and f"partNumber={len(PIECES)}&" in f"{request.url}&"
        return error(request.url, 403, "AccessDenied") if cut else None

    put_in(bucket, "UploadPart", no_last_part)
    with pytest.raises(BucketUnreachableError):
        bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    broken = False
    assert memory.known is not None
    assert "content-md5" not in memory.known.enforced
    if other:
        more: dict[str, Any] = {}
        if memory.known.check == "sha256":
            digest = hashlib.sha256(bytes(PART)).digest()
            more["ChecksumSHA256"] = b64encode(digest).decode()
        server.client.upload_part(
            Bucket=name,
            Key=KEY,
            UploadId=memory.known.upload,
            PartNumber=1,
            Body=bytes(PART),
            **more,
        )
    seen = headers_of(bucket, "UploadPart")
    sent = bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    again = {HASHES[0], HASHES[-1]} if other else {HASHES[-1]}
    assert {headers[HASH] for headers in seen} == again
    assert HASH in sent.attested_by
    assert b"".join(bucket.fetch(KEY)) == DATA


def test_an_object_that_came_into_being_unseen_is_compared_by_the_md5_of_all_parts(
    opened: Opener, server: Server
) -> None:
    bucket, memory = opened(server.url, server.new_bucket()), Remembered()
    first = bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    seen = headers_of(bucket, "UploadPart")
    second = bucket.send(KEY, CONTENT, blocks_of(DATA), memory=memory)
    assert seen == []
    assert (second.entry, second.attested_by) == (first.entry, first.attested_by)


def test_a_hash_that_is_seen_to_for_small_bodies_only_does_not_count(
    opened: Opener, url: str, rules: Rules
) -> None:
    rules.hashes_up_to = 1_000_000
    bucket = opened(url, "boatyard/shelf")
    assert bucket.capabilities().refuses_wrong == {"content-md5"}
    seen = headers_of(bucket, "UploadPart")
    assert bucket.send(KEY, CONTENT, blocks_of(DATA)).attested_by == ("content-md5",)
    assert all("content-md5" in headers for headers in seen)


def test_a_store_that_sees_to_the_hash_no_more_is_found_out_before_anything_is_sent(
    opened: Opener, url: str, rules: Rules
) -> None:
    rules.refuses_on_put = rules.refuses_on_part = frozenset(CHECKS)
    found = opened(url, "boatyard/shelf").check()
    rules.refuses_on_put = rules.refuses_on_part = frozenset({"content-md5"})
    bucket = opened(url, "boatyard/shelf", remembered=found)
    assert bucket.capabilities().refuses_wrong == {"content-md5"}
    assert bucket.doubts
    seen = headers_of(bucket, "UploadPart")
    assert bucket.send(KEY, CONTENT, blocks_of(DATA)).attested_by == ("content-md5",)
    assert all("content-md5" in headers for headers in seen)
