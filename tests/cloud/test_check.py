"""What one check of a bucket finds: on the real store, on the mock, and on servers made to lie.

The mock refuses nothing, so nothing about refusal rests on it; the store that refuses is our own.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from backupkeeper.cloud import anybody
from backupkeeper.cloud.asking import object_lock, public_by_grants, public_by_policy
from backupkeeper.cloud.capabilities import ANY, RIGHT
from backupkeeper.cloud.measuring import LARGE_BYTES
from backupkeeper.cloud.trying import DIGESTS
from backupkeeper.core.bucket_findings import Step, Word
from backupkeeper.core.errors import BackupkeeperError, BucketUnreachableError, LineDownError
from tests.real.store import Opener, Server, StoppedClock, blocks_of, content_of, made_up
from tests.world.answers import answer
from tests.world.faults import put_in
from tests.world.refusing_store import CHECKS, Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

BOTH = (Step.PUT, Step.PART)
PLAIN: dict[str, tuple[Step, ...]] = {"content-md5": BOTH, "x-amz-content-sha256": BOTH}
REFUSES: dict[str, dict[str, tuple[Step, ...]]] = {
    "moto": {},
    "radosgw": PLAIN,
    "strict": PLAIN | {name: tuple(Step) for name in DIGESTS},
}
"""What each store is known to enforce: SEEN section 1; the strict one by what it was made for."""
PUBLIC = (
    '{"Version":"2012-10-17","Statement":[{"Effect":"Allow","Principal":"*",'
    '"Action":"s3:GetObject","Resource":"arn:aws:s3:::%s/*"}]}'
)


class Ticking(StoppedClock):
    """A clock on which every look takes a tenth of a second."""

    def monotonic(self) -> float:
        self.seconds += 0.1
        return self.seconds


def refusals(found: Any) -> dict[str, tuple[Step, ...]]:
    return {name: steps for name, steps in found.refuses.items() if steps}


def test_what_each_store_is_seen_to_do(server: Server, opened: Opener) -> None:
    name = server.new_bucket()
    found = opened(server.url, f"{name}/shelf", clock=Ticking()).check()
    assert refusals(found) == REFUSES[server.name]
    assert found.returns == (tuple(DIGESTS) if server.name == "strict" else ())
    assert (found.conditional_put, found.conditional_complete) == (True, server.name != "radosgw")
    assert (found.refuses_small_parts, found.takes_part_10000) == (True, True)
    assert (found.versioning, found.object_lock, found.lock_default) == (False, Word.NO, "")
    assert (found.lifecycle, found.abort_days, found.deletes_days) == (Word.NO, None, None)
    assert found.is_public is False
    assert found.latency_s == pytest.approx(0.1)
    assert found.put_rate == pytest.approx(LARGE_BYTES / 0.1)
    assert found.left_behind == ()
    assert server.keys(name) == []
    assert server.uploads(name) == []


def test_a_bucket_with_versions_and_lock(server: Server, opened: Opener) -> None:
    name = server.new_bucket(ObjectLockEnabledForBucket=True)
    rule: Any = {"DefaultRetention": {"Mode": "GOVERNANCE", "Days": 3}}
    found = opened(server.url, name).check()
    assert (found.versioning, found.object_lock, found.lock_default) == (True, Word.YES, "")
    versions: Any = server.client.list_object_versions(Bucket=name)
    assert "Versions" not in versions
    assert "DeleteMarkers" not in versions
    # A store with a default lock would keep the scratch objects: only asked here, not tried.
    server.client.put_object_lock_configuration(
        Bucket=name, ObjectLockConfiguration={"ObjectLockEnabled": "Enabled", "Rule": rule}
    )
    store = opened(server.url, name)._store
    assert object_lock(store) == (Word.YES, "governance, 3 days")


@pytest.mark.real("store")
def test_a_default_lock_keeps_scratch_objects_and_that_is_told(
    radosgw: Server, opened: Opener
) -> None:
    name = radosgw.new_bucket(ObjectLockEnabledForBucket=True)
    rule: Any = {"DefaultRetention": {"Mode": "GOVERNANCE", "Days": 3}}
    radosgw.client.put_object_lock_configuration(
        Bucket=name, ObjectLockConfiguration={"ObjectLockEnabled": "Enabled", "Rule": rule}
    )
    found = opened(radosgw.url, name).check()
    assert found.left_behind
    assert all(path.startswith(".backupkeeper/scratch-") for path in found.left_behind)
    again = opened(radosgw.url, name).check()
    assert set(again.left_behind) == set(found.left_behind)
    assert set(radosgw.keys(name)) <= set(found.left_behind)


@pytest.mark.real("store")
def test_a_public_bucket_is_seen_by_reading_it_and_by_its_policy(
    radosgw: Server, opened: Opener
) -> None:
    name = radosgw.new_bucket()
    radosgw.client.put_bucket_policy(Bucket=name, Policy=PUBLIC % name)
    found = opened(radosgw.url, f"{name}/shelf").check()
    assert found.read_by_anybody
    assert found.public_policy is Word.YES
    assert found.is_public


@pytest.mark.real("store")
@pytest.mark.parametrize("acl", ["public-read", "authenticated-read"])
def test_a_bucket_open_by_its_access_list_is_seen(
    radosgw: Server, opened: Opener, acl: Any
) -> None:
    name = radosgw.new_bucket()
    radosgw.client.put_bucket_acl(Bucket=name, ACL=acl)
    store = opened(radosgw.url, name)._store
    assert public_by_grants(store) is Word.YES
    assert public_by_policy(store) in {Word.NO, Word.YES}


@pytest.mark.real("store")
def test_what_may_not_be_looked_at_is_no_no(
    radosgw: Server, opened: Opener, credentials: pytest.MonkeyPatch
) -> None:
    name = radosgw.new_bucket()
    credentials.setenv("AWS_ACCESS_KEY_ID", "locked")
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "lockedsecret")
    store = opened(radosgw.url, name)._store
    assert object_lock(store) == (Word.NOT_ALLOWED, "")
    assert public_by_policy(store) is Word.NOT_ALLOWED
    assert public_by_grants(store) is Word.NOT_ALLOWED


# -- a store that refuses


@pytest.mark.parametrize("check", sorted(CHECKS))
def test_a_check_that_is_enforced_is_found_and_nothing_else(opened: Opener, check: str) -> None:
    rules = Rules(refuses_on_put=frozenset({check}), refuses_on_part=frozenset({check}))
    with refusing_store(rules) as url:
        found = opened(url, "boatyard/shelf").check()
    assert refusals(found) == {check: BOTH}  # it looks at no checksum at the end of an upload
    assert rules.objects == {}
    assert rules.uploads == {}


def test_a_store_without_any_question_offers_nothing_and_is_not_believed(opened: Opener) -> None:
    with refusing_store(Rules(is_public=True)) as url:
        found = opened(url, "boatyard/shelf").check()
    assert {found.object_lock, found.lifecycle, found.public_policy, found.public_grants} == {
        Word.NOT_OFFERED
    }
    assert found.read_by_anybody  # it asks nobody for credentials, and that is what counts
    assert found.is_public


# -- two machines that try one bucket at the same time share the names of scratch objects


def tidied_up(
    monkeypatch: pytest.MonkeyPatch, rules: Rules, times: int, put_there: bytes | None = None
) -> None:
    """Just before somebody without credentials looks, another machine removes what it takes for its own."""
    inner, left = anybody._stranger, [None] * times

    def stranger(store: Any) -> Any:
        if left:
            left.pop()
            key = f"boatyard/shelf/{ANY}"
            _, etag, metadata = rules.objects.pop(key)
            if put_there is not None:
                rules.objects[key] = (put_there, etag, metadata)
        return inner(store)

    monkeypatch.setattr(anybody, "_stranger", stranger)


@pytest.mark.parametrize("put_there", [None, RIGHT], ids=["removed", "put anew"])
def test_a_public_bucket_is_seen_though_another_machine_tidies_up_meanwhile(
    opened: Opener, monkeypatch: pytest.MonkeyPatch, put_there: bytes | None
) -> None:
    rules = Rules(is_public=True)
    with refusing_store(rules) as url:
        bucket = opened(url, "boatyard/shelf")
        tidied_up(monkeypatch, rules, 1, put_there)
        found = bucket.check()
        assert found.read_by_anybody
        tidied_up(monkeypatch, rules, 2, put_there)
        assert bucket.who_reads(replace(found, read_by_anybody=False)).read_by_anybody
    assert rules.objects == {}


def test_where_it_never_stays_nothing_is_said_of_who_reads(
    opened: Opener, monkeypatch: pytest.MonkeyPatch
) -> None:
    rules = Rules(is_public=True)
    with refusing_store(rules) as url:
        bucket = opened(url, "boatyard/shelf")
        tidied_up(monkeypatch, rules, 99)
        with pytest.raises(BucketUnreachableError, match="another machine"):
            bucket.check()


def test_a_login_page_in_the_way_of_one_look_is_told_as_the_line(opened: Opener) -> None:
    with refusing_store(Rules()) as url:
        bucket = opened(url, "boatyard/shelf")
        found = bucket.check()
        page = "<html><body>Welcome. Please log in.</body></html>"
        put_in(bucket, "GetObject", lambda request: answer(request.url, 200, page))
        with pytest.raises(LineDownError):
            bucket.who_reads(found)


def test_whichever_request_of_a_check_meets_a_login_page_only_errors_of_ours_leave(
    opened: Opener,
) -> None:
    """Of every request in turn; a check asks for each thing anew, so the count ends the test."""
    asked, fails_at = 0, 0

    def meet(request: Any, **_: object) -> Any:
        nonlocal asked
        asked += 1
        return answer(request.url, 511, "") if asked == fails_at else None

    ended = set[str]()
    with refusing_store(Rules()) as url:
        while asked >= fails_at:
            fails_at, asked = fails_at + 1, 0
            bucket = opened(url, "boatyard/shelf")
            bucket._store.client.meta.events.register("before-send.s3", meet)
            try:
                bucket.check()
                ended.add("found")
            except BackupkeeperError as error:
                ended.add(type(error).__name__)
    assert fails_at > 30
    assert ended >= {"found", "LineDownError"}
    assert ended <= {"found", "LineDownError", "BucketUnreachableError"}


# -- answers that are not what was asked for

LISTING = b'<?xml version="1.0"?><ListBucketResult><Name>boatyard</Name></ListBucketResult>'
LOCKED = (
    b"<ObjectLockConfiguration><ObjectLockEnabled>Enabled</ObjectLockEnabled>"
    b"</ObjectLockConfiguration>"
)
ODD = {
    "a listing": (200, LISTING),
    "the object's own bytes": (200, bytes(range(256))),
    "nothing": (200, b""),
    "a login page": (200, b"<html><body>Welcome. Please log in.</body></html>"),
    "another element that hides the right one": (200, b"<Answer>" + LOCKED + b"</Answer>"),
    "not implemented": (501, b"<Error><Code>NotImplemented</Code></Error>"),
    "a failure": (500, b"<Error><Code>InternalError</Code></Error>"),
    "not this method": (405, b""),
    "broken XML": (200, b"<ObjectLockConfiguration><ObjectLock"),
    "the right element, empty": (200, b"<PolicyStatus/>"),
}


@contextmanager
def answering(status: int, body: bytes) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base's name
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.mark.parametrize("odd", sorted(ODD))
def test_an_answer_that_is_not_what_was_asked_for_is_not_offered(opened: Opener, odd: str) -> None:
    with answering(*ODD[odd]) as url:
        store = opened(url, "boatyard", attempts=1)._store
        assert object_lock(store) == (Word.NOT_OFFERED, "")
        assert public_by_policy(store) is Word.NOT_OFFERED
        assert public_by_grants(store) is Word.NOT_OFFERED


@pytest.mark.parametrize("status", [503, 429])
def test_a_store_that_asks_for_peace_is_told_and_nothing_concluded(
    opened: Opener, status: int
) -> None:
    with answering(status, b"<Error><Code>SlowDown</Code></Error>") as url:
        store = opened(url, "boatyard", attempts=1)._store
        with pytest.raises(BucketUnreachableError, match="fewer requests"):
            object_lock(store)


# -- what is remembered


def requests_of(bucket: Any) -> list[str]:
    seen: list[str] = []
    bucket._store.client.meta.events.register(
        "before-send.s3", lambda request, **_: seen.append(f"{request.method} {request.url}")
    )
    return seen


@pytest.mark.real("store")
def test_what_is_remembered_takes_one_request_that_must_be_refused(
    radosgw: Server, opened: Opener
) -> None:
    name = radosgw.new_bucket()
    found = opened(radosgw.url, name).check()
    fresh = opened(radosgw.url, name).capabilities()
    bucket = opened(radosgw.url, name, remembered=found)
    seen = requests_of(bucket)
    assert bucket.capabilities() == fresh
    assert [one.partition(" ")[0] for one in seen] == ["HEAD", "PUT"]
    assert not bucket.doubts
    assert radosgw.keys(name) == []


def test_a_store_that_refuses_no_more_is_believed_no_more(opened: Opener) -> None:
    rules = Rules(refuses_on_put=frozenset(CHECKS), refuses_on_part=frozenset(CHECKS))
    with refusing_store(rules) as url:
        found = opened(url, "boatyard/shelf").check()
        rules.refuses_on_put = rules.refuses_on_part = frozenset()
        bucket = opened(url, "boatyard/shelf", remembered=found)
        assert bucket.capabilities().refuses_wrong == frozenset()
        assert bucket.doubts
        assert rules.objects == {}


@pytest.mark.real("store")
def test_versions_that_were_not_there_before_drop_the_memory(
    radosgw: Server, opened: Opener
) -> None:
    name = radosgw.new_bucket()
    bucket = opened(radosgw.url, name, remembered=opened(radosgw.url, name).check())
    data = made_up(1_000)
    bucket.send("A001.MP4", content_of(data), blocks_of(data))
    before = bucket.doubts
    radosgw.client.put_bucket_versioning(Bucket=name, VersioningConfiguration={"Status": "Enabled"})
    bucket.send("A002.MP4", content_of(data), blocks_of(data))
    assert (before, bucket.doubts) == (False, True)
    assert bucket.capabilities().versioning


def test_scratch_objects_that_may_not_go_do_not_pile_up(opened: Opener) -> None:
    rules = Rules(never_deletes=True, honours_conditions=True)
    with refusing_store(rules) as url:
        first = opened(url, "boatyard/shelf").check()
        names = set(rules.objects)
        second = opened(url, "boatyard/shelf").check()
    assert first.left_behind
    assert (first.conditional_put, first.conditional_complete) == (True, True)
    assert (second.conditional_put, second.conditional_complete) == (True, True)
    assert set(rules.objects) == names
    assert len(names) <= 5
