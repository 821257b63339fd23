"""A bucket that keeps versions: what somebody puts over an object of ours, or deletes, is told, and
ours is still reached, proven, given back and used for mending.

On the real store and on the strict one; both keep versions.
"""

from pathlib import Path
from typing import Any

import pytest

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import UploadOutcome
from backupkeeper.core.restoring import Asked
from tests.real.store import Server
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, rot

pytest_plugins = ["tests.real.store_fixtures"]

FIRST = "DCIM/100BOATY/BOAT0001.MP4"
CARD = {FIRST: clip(1, 9_000_000), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}
KEY = f"footage/{SHOOT}/Originals/Wide/Roll 01/{FIRST}"


@pytest.fixture(params=["strict", pytest.param("radosgw", marks=pytest.mark.real("store"))])
def store(request: pytest.FixtureRequest, credentials: None) -> Server:
    server: Server = request.getfixturevalue(request.param)
    return server


@pytest.fixture
def bucket(store: Server) -> str:
    name = store.new_bucket()
    store.client.put_bucket_versioning(Bucket=name, VersioningConfiguration={"Status": "Enabled"})
    return name


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
    assert upload(yard).troubles == ()
    return yard


def upload(yard: Yard) -> UploadOutcome:
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    return outcome


def overwrite(store: Server, bucket: str) -> None:
    store.client.put_object(Bucket=bucket, Key=KEY, Body=b"something else")


def delete(store: Server, bucket: str) -> None:
    store.client.delete_object(Bucket=bucket, Key=KEY)


HARMS = pytest.mark.parametrize(
    ("harm", "words"),
    [(overwrite, "Another object stands over it now; ours is version"), (delete, "It was deleted")],
    ids=["written over", "deleted"],
)


@HARMS
def test_ours_stays_proven_and_it_is_told(
    yard: Yard, store: Server, bucket: str, harm: Any, words: str
) -> None:
    harm(store, bucket)
    verdict = yard.verdict(yard.root / "card")
    assert verdict.may_wipe
    assert any(words in one for one in verdict.warnings)
    with yard.keeper() as keeper:
        found = keeper.verify("Off site", progress=QUIET)
    assert (found.checked, found.matching_files) == ((), 2)
    assert not found.all_well
    assert [one.path for one in found.troubles if words in one.message] == [
        KEY.removeprefix("footage/")
    ]


@HARMS
def test_a_look_when_the_attestation_has_grown_old_is_at_ours(
    yard: Yard, store: Server, bucket: str, harm: Any, words: str
) -> None:
    harm(store, bucket)
    yard.clock.at = yard.clock.at.replace(month=8)
    outcome = upload(yard)
    assert outcome.sent_files == 0
    assert outcome.looked_at + (outcome.fetched_back is not None) >= 2
    assert [words in one.message for one in outcome.troubles] == [True]
    assert yard.gaps_of("Roll 01") == ()


@HARMS
def test_a_drive_is_mended_from_ours(
    yard: Yard, store: Server, bucket: str, harm: Any, words: str
) -> None:
    harm(store, bucket)
    for name in ("Main", "Travel"):
        rot(roll_folder(yard.root / name) / FIRST, 5_000_000, b"spoiled")
    yard.verify()
    outcome = yard.repair()
    assert (len(outcome.mended), outcome.unmended) == (2, ())
    for name in ("Main", "Travel"):
        assert (roll_folder(yard.root / name) / FIRST).read_bytes() == CARD[FIRST]


@HARMS
def test_a_roll_is_given_back_from_ours(
    yard: Yard, store: Server, bucket: str, harm: Any, words: str, tmp_path: Path
) -> None:
    harm(store, bucket)
    target = tmp_path / "given back"
    with yard.keeper() as keeper:
        asked = Asked(what=f"{SHOOT}/Wide/Roll 01", to=str(target), source="Off site")
        keeper.restore(asked, agree=lambda _: True, progress=QUIET)
    (found,) = target.rglob("BOAT0001.MP4")
    assert found.read_bytes() == CARD[FIRST]


def test_where_ours_is_gone_for_good_it_is_no(yard: Yard, store: Server, bucket: str) -> None:
    overwrite(store, bucket)
    versions = store.client.list_object_versions(Bucket=bucket, Prefix=KEY)["Versions"]
    (ours,) = [one["VersionId"] for one in versions if not one["IsLatest"]]
    store.client.delete_object(Bucket=bucket, Key=KEY, VersionId=ours)
    assert not yard.verdict(yard.root / "card").may_wipe
    with yard.keeper() as keeper:
        assert len(keeper.verify("Off site", progress=QUIET).checked) == 1
