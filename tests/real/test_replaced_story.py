"""A bucket without versions in which somebody puts another object of the same size over one of ours:
no look takes it for the one that was proven.

On the real store and on the strict one.
"""

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from backupkeeper.core.model import Role
from tests.real.store import Server
from tests.stories.yard import QUIET, SHOOT, Yard, clip

if TYPE_CHECKING:
    from types_boto3_s3.type_defs import CompletedPartTypeDef

pytest_plugins = ["tests.real.store_fixtures"]

FIRST = "DCIM/100BOATY/BOAT0001.MP4"
CARD = {FIRST: clip(1, 9_000_000), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}
PATH = f"{SHOOT}/Originals/Wide/Roll 01/{FIRST}"
KEY = f"footage/{PATH}"


@pytest.fixture(params=["strict", pytest.param("radosgw", marks=pytest.mark.real("store"))])
def store(request: pytest.FixtureRequest, credentials: None) -> Server:
    server: Server = request.getfixturevalue(request.param)
    return server


@pytest.fixture
def bucket(store: Server) -> str:
    return store.new_bucket()


@pytest.fixture
def yard(tmp_path: Path, store: Server, bucket: str) -> Yard:
    yard = Yard(tmp_path, policy="distinct_devices = false")
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=store.url,
            profile=None,
        )
        yard.offload(yard.card("card", CARD))
        assert keeper.upload(progress=QUIET)[0].troubles == ()
    return yard


def replace(store: Server, bucket: str, body: bytes) -> None:
    """Another object under the key: all that an entry says is as before, but for the ETag."""
    metadata = store.client.head_object(Bucket=bucket, Key=KEY)["Metadata"]
    store.client.put_object(Bucket=bucket, Key=KEY, Body=body, Metadata=metadata)


def test_untouched_it_stays_a_yes(yard: Yard) -> None:
    assert yard.verdict(yard.root / "card").may_wipe
    assert yard.verdict(yard.root / "card").may_wipe


def test_another_object_of_the_same_size_is_a_no_and_found_out(
    yard: Yard, store: Server, bucket: str
) -> None:
    replace(store, bucket, bytes(len(CARD[FIRST])))
    assert not yard.verdict(yard.root / "card").may_wipe
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    assert [(one.path, "damaged" in one.message) for one in outcome.troubles] == [(PATH, True)]
    assert not yard.verdict(yard.root / "card").may_wipe


def test_the_same_bytes_put_there_anew_are_proven_anew(
    yard: Yard, store: Server, bucket: str
) -> None:
    """A provider that moved objects gives them other ETags: fetched back once they count again."""
    size = len(CARD[FIRST])
    begun = store.client.create_multipart_upload(Bucket=bucket, Key=KEY)["UploadId"]
    parts: list[CompletedPartTypeDef] = []
    for number, (start, end) in enumerate([(0, 6_000_000), (6_000_000, size)], start=1):
        sent = store.client.upload_part(
            Bucket=bucket,
            Key=KEY,
            UploadId=begun,
            PartNumber=number,
            Body=CARD[FIRST][start:end],
        )
        parts.append({"PartNumber": number, "ETag": sent["ETag"]})
    store.client.complete_multipart_upload(
        Bucket=bucket, Key=KEY, UploadId=begun, MultipartUpload={"Parts": parts}
    )
    assert not yard.verdict(yard.root / "card").may_wipe
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    assert outcome.troubles == ()
    assert yard.verdict(yard.root / "card").may_wipe
