"""What counts as enforced, tried against a store that refuses exactly what it is told to."""

from collections.abc import Iterator

import pytest

from backupkeeper.cloud.checks import EXTRAS, extra_of
from backupkeeper.core.errors import AttestationRefusedError
from tests.real.store import Opener, blocks_of, content_of, made_up
from tests.world.refusing_store import CHECKS, Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

EVERY = frozenset(CHECKS)


@pytest.fixture
def rules() -> Rules:
    return Rules()


@pytest.fixture
def url(rules: Rules) -> Iterator[str]:
    with refusing_store(rules) as address:
        yield address


@pytest.mark.parametrize("check", sorted(EVERY))
def test_a_check_counts_that_is_enforced_on_put_and_on_part(
    opened: Opener, url: str, rules: Rules, check: str
) -> None:
    rules.refuses_on_put = rules.refuses_on_part = frozenset({check})
    can = opened(url, "boatyard/shelf").capabilities()
    assert can.refuses_wrong == {check}
    assert can.attests


@pytest.mark.parametrize("check", sorted(EVERY))
def test_a_check_enforced_on_one_of_the_two_does_not_count(
    opened: Opener, url: str, rules: Rules, check: str
) -> None:
    rules.refuses_on_put, rules.refuses_on_part = frozenset({check}), EVERY - {check}
    can = opened(url, "boatyard/shelf").capabilities()
    assert can.refuses_wrong == frozenset()
    assert not can.attests


@pytest.mark.parametrize("check", sorted(EVERY - {"x-amz-content-sha256"}))
def test_a_store_that_refuses_the_right_value_too_enforces_nothing(
    opened: Opener, url: str, rules: Rules, check: str
) -> None:
    rules.refuses_on_put = rules.refuses_on_part = EVERY
    rules.turns_down = frozenset({check} - {"content-md5"})
    found = opened(url, "boatyard/shelf").capabilities().refuses_wrong
    assert found == EVERY - rules.turns_down


@pytest.mark.parametrize(
    "code", ["InvalidRequest", "RequestTimeout", "MalformedXML", "ExpiredToken"]
)
def test_a_refusal_that_does_not_speak_of_the_bytes_does_not_count(
    opened: Opener, url: str, rules: Rules, code: str
) -> None:
    rules.refuses_on_put = rules.refuses_on_part = EVERY
    rules.answer_instead = code
    assert opened(url, "boatyard/shelf", attempts=1).capabilities().refuses_wrong == frozenset()


@pytest.mark.parametrize("honoured", [True, False])
def test_conditions_are_tried_too(opened: Opener, url: str, rules: Rules, honoured: bool) -> None:
    rules.honours_conditions = honoured
    can = opened(url, "boatyard/shelf").capabilities()
    assert (can.conditional_put, can.conditional_complete) == (honoured, honoured)


def test_all_that_was_tried_is_removed(opened: Opener, url: str, rules: Rules) -> None:
    rules.refuses_on_put = rules.refuses_on_part = EVERY
    opened(url, "boatyard/shelf").capabilities()
    assert rules.objects == {}
    assert rules.uploads == {}
    written = {path for method, path, _ in rules.seen if method == "PUT"}
    assert all(path.startswith("/boatyard/shelf/.backupkeeper/scratch-") for path in written)


def test_what_may_not_be_removed_is_named(opened: Opener, url: str, rules: Rules) -> None:
    rules.never_deletes = True
    left = opened(url, "boatyard/shelf").capabilities().left_behind
    assert left
    assert set(rules.objects) <= {f"boatyard/shelf/{path}" for path in left}


def test_an_etag_that_is_no_md5_is_never_compared(opened: Opener, url: str, rules: Rules) -> None:
    rules.opaque_etags = True
    bucket = opened(url, "boatyard/shelf")
    assert not bucket.capabilities().etag_is_md5
    for size in (10, 20 * 1024 * 1024):
        data = made_up(size)
        sent = bucket.send(f"{size}", content_of(data), blocks_of(data))
        assert rules.objects[f"boatyard/shelf/{size}"][0] == data
        assert sent.attested_by == ()


@pytest.mark.parametrize(
    ("enforced", "extra"),
    [
        (set(), None),
        ({"content-md5", "x-amz-content-sha256"}, None),
        ({"content-md5", "sha256", "crc32", "crc64nvme"}, "sha256"),
        ({"crc32", "crc64nvme"}, "crc32"),
        ({"crc64nvme"}, "crc64nvme"),
        ({"crc64nvme", "content-md5"}, None),
    ],
)
def test_the_best_enforced_check_is_chosen(enforced: set[str], extra: str | None) -> None:
    assert extra_of(frozenset(enforced)) == extra


@pytest.mark.parametrize("extra", sorted(EXTRAS))
@pytest.mark.parametrize("size", [1_000, 8 * 1024 * 1024 + 1])
def test_every_piece_travels_with_the_check_that_counts(
    opened: Opener, url: str, rules: Rules, extra: str, size: int
) -> None:
    if extra == "crc64nvme":
        size = min(size, 1_000)  # in Python it is slow
    rules.refuses_on_put = rules.refuses_on_part = frozenset({extra})
    bucket = opened(url, "boatyard/shelf")
    data = made_up(size)
    assert bucket.send("A001.MP4", content_of(data), blocks_of(data)).attested_by == (extra,)
    pieces = [h for m, p, h in rules.seen if m == "PUT" and "A001.MP4" in p]
    assert len(pieces) == (1 if size == 1_000 else 2)
    for headers in pieces:
        assert CHECKS[extra][0] in {name.lower() for name in headers}
        # MD5 only where no SHA-256 is enforced, or the answer can be compared with it for little.
        assert ("Content-MD5" in headers) == (extra != "sha256" or size == 1_000)


@pytest.mark.parametrize("size", [1_000, 8 * 1024 * 1024 + 1])
@pytest.mark.parametrize("check", ["content-md5", "x-amz-content-sha256", "sha256", "crc32"])
def test_bytes_spoiled_on_the_way_are_refused_and_nothing_stays(
    opened: Opener, url: str, rules: Rules, check: str, size: int
) -> None:
    rules.refuses_on_put = rules.refuses_on_part = frozenset({check})
    bucket = opened(url, "boatyard/shelf")
    bucket.capabilities()

    def spoil(request: object, **_: object) -> None:
        body = bytearray(request.body.getvalue())  # type: ignore[attr-defined]  # botocore's own request
        body[-1] ^= 1
        request.body = bytes(body)  # type: ignore[attr-defined]  # botocore's own request

    for operation in ("PutObject", "UploadPart"):
        bucket._store.client.meta.events.register(f"before-send.s3.{operation}", spoil)
    data = made_up(size)
    with pytest.raises(AttestationRefusedError, match=r"refused A001\.MP4"):
        bucket.send("A001.MP4", content_of(data), blocks_of(data))
    assert rules.objects == {}
    assert rules.uploads == {}


def test_a_store_that_checks_nothing_is_caught_by_the_etag(
    opened: Opener, url: str, rules: Rules
) -> None:
    bucket = opened(url, "boatyard/shelf")
    bucket.capabilities()

    def spoil(request: object, **_: object) -> None:
        request.body = bytes(1_000)  # type: ignore[attr-defined]  # botocore's own request

    bucket._store.client.meta.events.register("before-send.s3.PutObject", spoil)
    data = made_up(1_000)
    with pytest.raises(AttestationRefusedError):
        bucket.send("A001.MP4", content_of(data), blocks_of(data))
