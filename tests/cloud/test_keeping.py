"""Object lock: what is sent to a bucket that has it stays, and a bucket that has none takes it all the same."""

import logging
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from botocore.exceptions import ClientError

from backupkeeper.cloud.keeping import Retention
from backupkeeper.config import RetentionMode
from backupkeeper.ports.bucket import Capabilities
from tests.real.store import Opener, Server, StoppedClock, blocks_of, content_of, made_up

pytest_plugins = ["tests.real.store_fixtures"]

NOW = datetime(2026, 6, 12, tzinfo=UTC)
LOCKS = Capabilities(
    refuses_wrong=frozenset(),
    conditional_put=True,
    conditional_complete=True,
    versioning=True,
    object_lock=True,
)


class Today(StoppedClock):
    """A lock must end in the future by the store's own clock."""

    def now(self) -> datetime:
        return datetime.now(UTC)


@pytest.mark.parametrize(
    ("days", "has_lock"), [(0, True), (30, False), (30, None)], ids=["not wanted", "no", "unknown"]
)
def test_no_lock_is_asked_for_where_none_is_wanted_or_none_is_known(
    days: int, has_lock: bool | None
) -> None:
    can = replace(LOCKS, object_lock=has_lock)
    assert Retention(days=days).parameters(can, NOW) == {}


@pytest.mark.parametrize("mode", list(RetentionMode))
def test_a_lock_ends_so_many_days_after_the_upload(mode: RetentionMode) -> None:
    assert Retention(days=30, mode=mode).parameters(LOCKS, NOW) == {
        "ObjectLockMode": mode.value.upper(),
        "ObjectLockRetainUntilDate": NOW + timedelta(days=30),
    }


@pytest.mark.parametrize("size", [1_000, 9 * 1024 * 1024], ids=["one piece", "parts"])
def test_what_was_sent_with_a_lock_cannot_be_deleted(
    server: Server, opened: Opener, size: int
) -> None:
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    name = server.new_bucket(ObjectLockEnabledForBucket=True)
    bucket = opened(server.url, f"{name}/shelf", clock=Today(), retention=Retention(days=30))
    data = made_up(size)
    sent = bucket.send("A001.MP4", content_of(data), blocks_of(data))
    assert sent.entry.version
    held = server.client.head_object(Bucket=name, Key="shelf/A001.MP4")
    assert held["ObjectLockMode"] == "GOVERNANCE"
    left = held["ObjectLockRetainUntilDate"] - datetime.now(UTC)
    assert timedelta(days=29, hours=23) < left <= timedelta(days=30)
    with pytest.raises(ClientError, match="AccessDenied"):
        server.client.delete_object(Bucket=name, Key="shelf/A001.MP4", VersionId=sent.entry.version)


def test_a_bucket_without_lock_takes_it_all_the_same(server: Server, opened: Opener) -> None:
    name = server.new_bucket()
    bucket = opened(server.url, name, clock=Today(), retention=Retention(days=30))
    data = made_up(1_000)
    assert bucket.send("A001.MP4", content_of(data), blocks_of(data)).entry.size == 1_000
    assert "ObjectLockMode" not in server.client.head_object(Bucket=name, Key="A001.MP4")


def test_an_object_that_could_not_be_locked_is_told(server: Server, opened: Opener) -> None:
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    name = server.new_bucket(ObjectLockEnabledForBucket=True)
    bucket = opened(server.url, name, clock=Today(), retention=Retention(days=30))

    def forget(params: dict[str, Any], **_: object) -> None:
        for header in [header for header in params["headers"] if "object-lock" in header]:
            del params["headers"][header]

    def refuse(**_: object) -> None:
        raise ClientError(
            {
                "Error": {"Code": "AccessDenied", "Message": ""},
                "ResponseMetadata": {"HTTPStatusCode": 403},  # type: ignore[typeddict-item]  # as much of it as we read
            },
            "PutObjectRetention",
        )

    events = bucket._store.client.meta.events
    events.register("before-call.s3.CreateMultipartUpload", forget)
    events.register("before-call.s3.PutObjectRetention", refuse)
    data = made_up(9 * 1024 * 1024)
    sent = bucket.send("A001.MP4", content_of(data), blocks_of(data))
    assert sent.entry.size == len(data)
    assert "did not lock A001.MP4 (AccessDenied, HTTP 403)" in sent.unlocked
