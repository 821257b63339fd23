"""The rights that the README names are enough for everything that the daemon does, and give no more.

The policy is read out of the README, given to a user of the real store who has no other right, and the
whole third place is gone through with that user's keys.
"""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from botocore.exceptions import ClientError

from backupkeeper.actions.upload import upload_roll
from backupkeeper.core.bucket_findings import Word
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import Role
from backupkeeper.core.restoring import Asked
from tests.real.store import Server, raw_client
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = pytest.mark.real("store")

README = Path(__file__).parents[2] / "README.md"
USER = {"AWS": ["arn:aws:iam:::user/locked"]}
KEYS = ("locked", "lockedsecret")
FIRST = "DCIM/100BOATY/BOAT0001.MP4"
CARD = {FIRST: clip(1, 17_000_000), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}


def policy(bucket: str, *, without: str = "") -> str:
    """The README's policy for a bucket, as a policy of the bucket for one user."""
    (block,) = re.findall(r"```json\n(\{\n  \"Version\".*?)```", README.read_text(), re.DOTALL)
    told: dict[str, Any] = json.loads(block.replace("my-bucket", bucket))
    told["Statement"] = [
        one | {"Principal": USER} for one in told["Statement"] if one["Sid"] != without
    ]
    return json.dumps(told)


def actions() -> set[str]:
    return {action for one in json.loads(policy("b"))["Statement"] for action in one["Action"]}


@pytest.fixture(params=[False, True], ids=["without versions", "with versions"])
def bucket(request: pytest.FixtureRequest, radosgw: Server) -> str:
    name = radosgw.new_bucket()
    if request.param:
        radosgw.client.put_bucket_versioning(
            Bucket=name, VersioningConfiguration={"Status": "Enabled"}
        )
    return name


@pytest.fixture
def yard(tmp_path: Path, credentials: pytest.MonkeyPatch) -> Yard:
    credentials.setenv("AWS_ACCESS_KEY_ID", KEYS[0])
    credentials.setenv("AWS_SECRET_ACCESS_KEY", KEYS[1])
    yard = Yard(tmp_path, policy="distinct_devices = false")
    yard.drives()
    return yard


def add(yard: Yard, server: Server, bucket: str) -> None:
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=server.url,
            profile=None,
        )


@pytest.mark.parametrize("without", ["", "Look"], ids=["all of it", "without the looks"])
def test_the_whole_third_place_with_these_rights_alone(
    yard: Yard, radosgw: Server, bucket: str, without: str, tmp_path: Path
) -> None:
    radosgw.client.put_bucket_policy(Bucket=bucket, Policy=policy(bucket, without=without))
    add(yard, radosgw, bucket)
    card = yard.card("card", CARD)
    yard.offload(card)
    with yard.keeper() as keeper:
        (roll,) = keeper.context.catalog.rolls()
        main, _, cloud = (place.id for place in keeper.context.catalog.places())
        outcome = upload_roll(keeper.context, roll.id, bucket=cloud, source=main, progress=QUIET)
        assert (outcome.sent_files, outcome.troubles) == (2, ())
        assert keeper.upload(progress=QUIET)[0].troubles == ()
        assert keeper.verify("Off site", progress=QUIET).all_well
    assert yard.verdict(card).may_wipe
    for name in ("Main", "Travel"):
        (roll_folder(yard.root / name) / FIRST).unlink()
    target = tmp_path / "given back"
    with yard.keeper() as keeper:
        asked = Asked(what=f"{SHOOT}/Wide/Roll 01", to=str(target), source="Off site")
        keeper.restore(asked, agree=lambda _: True, progress=QUIET)
        found = keeper.check_place("Off site", progress=QUIET).findings
    (file,) = target.rglob("BOAT0001.MP4")
    assert file.read_bytes() == CARD[FIRST]
    # Not the policy: this store calls every policy public that allows anything.
    looks = {found.object_lock, found.lifecycle, found.public_grants}
    assert (found.public_policy is Word.NOT_ALLOWED) == bool(without)
    assert looks == ({Word.NOT_ALLOWED} if without else {Word.NO})
    # Nothing may be deleted, so scratch objects stay: the same few however often it was checked.
    left = [key for key in radosgw.keys(bucket) if "/.backupkeeper/scratch" in key]
    assert sorted(left) == sorted(f"footage/{path}" for path in found.left_behind)
    assert 0 < len(left) <= 5
    assert len([key for key in radosgw.keys(bucket) if "/.backupkeeper/uploads/" in key]) == 1
    assert radosgw.uploads(bucket) == []


FORBIDDEN: dict[str, Callable[[Any, str, str], object]] = {
    "delete an object": lambda client, bucket, key: client.delete_object(Bucket=bucket, Key=key),
    "delete many": lambda client, bucket, key: client.delete_objects(
        Bucket=bucket, Delete={"Objects": [{"Key": key}]}
    ),
    "delete an old version": lambda client, bucket, key: client.delete_object(
        Bucket=bucket, Key=key, VersionId="null"
    ),
    "write outside the prefix": lambda client, bucket, key: client.put_object(
        Bucket=bucket, Key="elsewhere", Body=b""
    ),
    "set the policy": lambda client, bucket, key: client.put_bucket_policy(
        Bucket=bucket, Policy="{}"
    ),
    "set lifecycle rules": lambda client, bucket, key: client.put_bucket_lifecycle_configuration(
        Bucket=bucket,
        LifecycleConfiguration={
            "Rules": [
                {
                    "ID": "a",
                    "Status": "Enabled",
                    "Filter": {"Prefix": ""},
                    "Expiration": {"Days": 1},
                }
            ]
        },
    ),
    "set versioning": lambda client, bucket, key: client.put_bucket_versioning(
        Bucket=bucket, VersioningConfiguration={"Status": "Suspended"}
    ),
    "delete the bucket": lambda client, bucket, key: client.delete_bucket(Bucket=bucket),
}


@pytest.mark.parametrize("deed", sorted(FORBIDDEN))
def test_what_is_not_named_is_refused(radosgw: Server, deed: str) -> None:
    bucket = radosgw.new_bucket()
    radosgw.client.put_bucket_policy(Bucket=bucket, Policy=policy(bucket))
    client = raw_client(radosgw.url, access=KEYS[0], secret=KEYS[1])
    key = "footage/260612 Boatyard/A001.MP4"
    client.put_object(Bucket=bucket, Key=key, Body=b"original")
    with pytest.raises(ClientError) as refused:
        FORBIDDEN[deed](client, bucket, key)
    assert refused.value.response["ResponseMetadata"]["HTTPStatusCode"] == 403
    assert client.get_object(Bucket=bucket, Key=key)["Body"].read() == b"original"


def test_the_policy_names_no_right_to_delete_or_to_change_the_bucket() -> None:
    assert all(not re.search(r"Delete|\*|PutBucket|PutLifecycle|Bypass", one) for one in actions())


def test_the_lifecycle_rule_wants_a_right_of_its_own_and_nothing_is_changed_without(
    yard: Yard, radosgw: Server
) -> None:
    bucket = radosgw.new_bucket()
    radosgw.client.put_bucket_policy(Bucket=bucket, Policy=policy(bucket))
    add(yard, radosgw, bucket)
    refused = r"did not take the rule \(AccessDenied\)\. Nothing was changed"
    with yard.keeper() as keeper, pytest.raises(UsageError, match=refused):
        keeper.set_lifecycle_rule("Off site", progress=QUIET)
    with pytest.raises(ClientError, match="NoSuchLifecycleConfiguration"):
        radosgw.client.get_bucket_lifecycle_configuration(Bucket=bucket)
