"""``retention_days``, from the configuration to the lock in the store; and a bucket that has no lock."""

from pathlib import Path

import pytest
from botocore.exceptions import ClientError

from backupkeeper.actions.place_check import reminders
from backupkeeper.core.model import Role
from tests.real.store import Server
from tests.stories.yard import QUIET, SHOOT, Yard, clip

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = pytest.mark.real("store")

CARD = {"DCIM/100BOATY/BOAT0001.MP4": clip(1, 17_000_000), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}
FOLDER = f"footage/{SHOOT}/Originals/Wide/Roll 01"
LOCKED = (
    "distinct_devices = false\n[upload]\nretention_days = 3650"  # the yard's clock stands in June
)


def uploaded(tmp_path: Path, server: Server, bucket: str) -> Yard:
    yard = Yard(tmp_path, policy=LOCKED)
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=server.url,
            profile=None,
        )
    yard.offload(yard.card("card", CARD))
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    assert (outcome.sent_files, outcome.troubles, outcome.waiting) == (2, (), ())
    assert yard.verdict(yard.root / "card").may_wipe
    return yard


def test_originals_are_locked_whether_sent_whole_or_in_parts_and_stay(
    tmp_path: Path, radosgw: Server, credentials: None
) -> None:
    bucket = radosgw.new_bucket(ObjectLockEnabledForBucket=True)
    yard = uploaded(tmp_path, radosgw, bucket)
    with yard.keeper() as keeper:
        cloud = next(one for one in keeper.context.catalog.places() if one.name == "Off site")
        facts = {one.path: one for one in keeper.context.catalog.facts_at(cloud.id)}
    for path, data in CARD.items():
        key = f"{FOLDER}/{path}"
        held = radosgw.client.head_object(Bucket=bucket, Key=key)
        assert held["ObjectLockMode"] == "GOVERNANCE"
        assert held["ObjectLockRetainUntilDate"].year == 2036
        assert facts[key.removeprefix("footage/")].version == held["VersionId"]
        with pytest.raises(ClientError, match="AccessDenied"):
            radosgw.client.delete_object(Bucket=bucket, Key=key, VersionId=held["VersionId"])
        # A lock does not stop an overwrite: ours is the older version then, and still there.
        radosgw.client.put_object(Bucket=bucket, Key=key, Body=b"something else")
        still = radosgw.client.get_object(Bucket=bucket, Key=key, VersionId=held["VersionId"])
        assert still["Body"].read() == data
    own = [key for key in radosgw.keys(bucket) if "/ascmhl/" in key or "/uploads/" in key]
    assert {"ascmhl", "uploads"} <= {part for key in own for part in key.split("/")}
    for key in own:
        assert "ObjectLockMode" not in radosgw.client.head_object(Bucket=bucket, Key=key)


def test_a_bucket_without_lock_takes_everything_and_that_is_told(
    tmp_path: Path, radosgw: Server, credentials: None
) -> None:
    yard = uploaded(tmp_path, radosgw, radosgw.new_bucket())
    with yard.keeper() as keeper:
        told = [one for one in reminders(keeper.context) if "retention_days" in one]
    assert told == [
        (
            "Off site: It has no object lock: retention_days has no effect, objects are put there "
            "unlocked."
        )
    ]
