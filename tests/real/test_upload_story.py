"""The third place, end to end: what goes into a bucket, and what counts as proof there.

Both stores, because they differ just where it matters (SEEN section 1): the real one refuses wrong
bytes, the mock takes anything.
"""

import zlib
from pathlib import Path

import pytest

from backupkeeper.core.model import Role, Way
from backupkeeper.core.outcomes import Finding, ReasonCode, UploadOutcome
from backupkeeper.manifests.mhl_history import read_history
from tests.real.store import Server
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, rot

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 17_000_000),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/odd + %41 & é #.XML": b"<clip/>\n",
    "MISC/EMPTY.DAT": b"",
}
STORES = [
    pytest.param("radosgw", marks=pytest.mark.real("store"), id="a store that refuses wrong bytes"),
    pytest.param("moto", id="a store that takes anything"),
]


@pytest.fixture
def store(request: pytest.FixtureRequest, credentials: None) -> Server:
    server: Server = request.getfixturevalue(request.param)
    return server


@pytest.fixture
def bucket(store: Server, request: pytest.FixtureRequest) -> str:
    name = f"story-{zlib.crc32(request.node.nodeid.encode())}"
    store.client.create_bucket(Bucket=name)
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
    return yard


def upload(yard: Yard) -> UploadOutcome:
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    return outcome


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_three_places_then_yes_and_the_manifest_is_there_too(
    yard: Yard, store: Server, bucket: str
) -> None:
    card = yard.card("card", CARD)
    yard.offload(card)
    outcome = upload(yard)
    assert (outcome.sent_files, outcome.troubles, outcome.waiting) == (4, (), ())
    assert (outcome.fetched_back is None) == (store.name == "radosgw")
    verdict = yard.verdict(card)
    assert verdict.may_wipe
    ways = {file.roles[Role.CLOUD].proof for file in verdict.files}
    assert ways == {Way.ATTESTED if store.name == "radosgw" else Way.DOWNLOADED}
    folder = f"footage/{SHOOT}/Originals/Wide/Roll 01/ascmhl/"
    listed = store.client.list_objects_v2(Bucket=bucket, Prefix=folder)["Contents"]
    data = {
        entry["Key"].removeprefix(folder): store.client.get_object(Bucket=bucket, Key=entry["Key"])[
            "Body"
        ].read()
        for entry in listed
    }
    history = read_history(data, data.__getitem__)
    assert history is not None
    assert set(history.reference) == set(CARD)
    again = upload(yard)
    assert (again.sent_files, again.troubles) == (0, ())


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_what_rotted_on_one_drive_is_sent_from_the_other(yard: Yard, store: Server) -> None:
    card = yard.card("card", CARD)
    yard.offload(card)
    rot(roll_folder(yard.root / "Main") / "DCIM/100BOATY/BOAT0001.MP4", 9_000_000, b"spoiled")
    outcome = upload(yard)
    assert outcome.sent_files == 4
    assert any("BOAT0001" in trouble.path for trouble in outcome.troubles)
    with yard.keeper() as keeper:
        assert keeper.verify("Off site", progress=QUIET).all_well
    reasons = {(one.code, one.role) for one in yard.verdict(card).reasons}
    assert reasons == {(ReasonCode.DAMAGED, Role.PRIMARY)}


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_an_object_replaced_behind_our_back_is_found_and_never_written_over(
    yard: Yard, store: Server, bucket: str
) -> None:
    card = yard.card("card", CARD)
    yard.offload(card)
    upload(yard)
    key = f"footage/{SHOOT}/Originals/Wide/Roll 01/DCIM/100BOATY/BOAT0002.MP4"
    store.client.put_object(Bucket=bucket, Key=key, Body=b"something else")
    with yard.keeper() as keeper:
        (found,) = keeper.verify("Off site", progress=QUIET).checked
    assert found.finding is Finding.DAMAGED
    assert not yard.verdict(card).may_wipe
    upload(yard)
    assert store.client.get_object(Bucket=bucket, Key=key)["Body"].read() == b"something else"


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_a_foreign_object_under_a_wanted_key_stays_and_the_answer_is_no(
    yard: Yard, store: Server, bucket: str
) -> None:
    key = f"footage/{SHOOT}/Originals/Wide/Roll 01/DCIM/100BOATY/BOAT0002.MP4"
    store.client.put_object(Bucket=bucket, Key=key, Body=b"theirs")
    card = yard.card("card", CARD)
    yard.offload(card)
    outcome = upload(yard)
    assert (outcome.sent_files, len(outcome.troubles)) == (3, 1)
    assert not yard.verdict(card).may_wipe
    assert store.client.get_object(Bucket=bucket, Key=key)["Body"].read() == b"theirs"


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_the_same_bytes_already_there_are_fetched_back_and_count(
    yard: Yard, store: Server, bucket: str
) -> None:
    key = f"footage/{SHOOT}/Originals/Wide/Roll 01/DCIM/100BOATY/BOAT0002.MP4"
    store.client.put_object(Bucket=bucket, Key=key, Body=CARD["DCIM/100BOATY/BOAT0002.MP4"])
    card = yard.card("card", CARD)
    yard.offload(card)
    assert upload(yard).sent_files == 3
    assert yard.verdict(card).may_wipe
