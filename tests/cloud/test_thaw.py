"""Asking for archived objects to be thawed: what the mock plays, and what the real store says.

The real store here knows no archive classes; how a real service thaws no test can show.
"""

from collections.abc import Iterator

import pytest
from moto.moto_api import state_manager

from backupkeeper.core.errors import AsleepError, BucketUnreachableError
from backupkeeper.core.prices import is_asleep, is_thawing
from backupkeeper.ports.bucket import ObjectEntry
from tests.real.store import Opener, Server
from tests.world.answers import error
from tests.world.faults import put_in

pytest_plugins = ["tests.real.store_fixtures"]


@pytest.fixture
def slow_thaw() -> Iterator[None]:
    state_manager.set_transition("s3::keyrestore", {"progression": "manual", "times": 4})
    yield
    state_manager.unset_transition("s3::keyrestore")


def test_an_archived_object_is_thawed_once_and_can_then_be_had(
    moto: Server, opened: Opener, slow_thaw: None
) -> None:
    name = moto.new_bucket()
    moto.client.put_object(Bucket=name, Key="f/a", Body=b"footage", StorageClass="DEEP_ARCHIVE")
    moto.client.put_object(Bucket=name, Key="f/b", Body=b"footage")
    bucket = opened(moto.url, f"{name}/f")
    assert {entry.key: entry.shelf for entry in bucket.listing()}["a"] == "DEEP_ARCHIVE"
    entry = bucket.look("a")
    assert entry is not None
    assert is_asleep(entry.shelf, entry.thaw)
    with pytest.raises(AsleepError, match="must be thawed first"):
        list(bucket.fetch("a"))
    assert bucket.thaw(entry, tier="Bulk", days=3)
    entry = bucket.look("a")
    assert entry is not None
    assert is_thawing(entry.thaw)
    for _ in range(6):
        entry = bucket.look("a")
    assert entry is not None
    assert not is_asleep(entry.shelf, entry.thaw)
    assert b"".join(bucket.fetch("a")) == b"footage"
    other = bucket.look("b")
    assert other is not None
    assert not is_asleep(other.shelf, other.thaw)


def test_what_goes_on_already_is_no_error(moto: Server, opened: Opener) -> None:
    """The mock takes it twice; a service says 409 (S3 API, RestoreObject)."""
    bucket = opened(moto.url, moto.new_bucket())
    going_on = "RestoreAlreadyInProgress"
    put_in(bucket, "RestoreObject", lambda request: error(request.url, 409, going_on))
    entry = ObjectEntry(key="a", size=7, version=None, etag="e", shelf="GLACIER")
    assert not bucket.thaw(entry, tier="Standard", days=1)


@pytest.mark.real("store")
def test_a_store_that_knows_no_thawing_says_so(radosgw: Server, opened: Opener) -> None:
    name = radosgw.new_bucket()
    radosgw.client.put_object(Bucket=name, Key="a", Body=b"footage")
    bucket = opened(radosgw.url, name)
    entry = bucket.look("a")
    assert entry is not None
    assert not is_asleep(entry.shelf, entry.thaw)
    with pytest.raises(BucketUnreachableError):
        bucket.thaw(entry, tier="Standard", days=1)


def test_what_tiers_itself_is_asked_for_without_days(moto: Server, opened: Opener) -> None:
    name = moto.new_bucket()
    moto.client.put_object(Bucket=name, Key="a", Body=b"footage")
    bucket = opened(moto.url, name)
    asked: list[dict[str, object]] = []

    def refuse(params: dict[str, object], **_: object) -> None:
        asked.append(params)
        raise ConnectionError("seen enough")

    bucket._store.client.meta.events.register("provide-client-params.s3.RestoreObject", refuse)
    entry = ObjectEntry(key="a", size=7, version=None, etag="e", shelf="ARCHIVE_ACCESS")
    with pytest.raises(BucketUnreachableError):
        bucket.thaw(entry, tier="Standard", days=9)
    assert asked[0]["RestoreRequest"] == {"GlacierJobParameters": {"Tier": "Standard"}}
