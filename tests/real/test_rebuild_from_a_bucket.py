"""A new machine with nothing but the bucket: the answers are as before.

Both stores: the real one, which attests, and the mock, where a snapshot is fetched back to be believed.
"""

import shutil
import zlib
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.core.errors import BucketUnreachableError
from backupkeeper.core.model import Role
from backupkeeper.core.rebuilding import RebuildOutcome, RebuildWish
from backupkeeper.core.snapshots import FOLDER, KEPT_IN_BUCKETS
from backupkeeper.drives.marker import decode_marker
from tests.real.store import Server
from tests.stories.typed import typed
from tests.stories.yard import QUIET, Yard, clip

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {"DCIM/BOAT0001.MP4": clip(1), "DCIM/odd + %41 & é #.XML": b"<clip/>\n", "E": b""}
STORES = [
    pytest.param("radosgw", marks=pytest.mark.real("store"), id="a store that refuses wrong bytes"),
    pytest.param("moto", id="a store that takes anything"),
]
on_the_mock = pytest.mark.parametrize("store", STORES[1:], indirect=True)
on_both = pytest.mark.parametrize("store", STORES, indirect=True)


@pytest.fixture
def store(request: pytest.FixtureRequest, credentials: None) -> Server:
    server: Server = request.getfixturevalue(request.param)
    return server


@pytest.fixture
def bucket(store: Server, request: pytest.FixtureRequest) -> str:
    name = f"rebuild-{zlib.crc32(request.node.nodeid.encode())}"
    store.client.create_bucket(Bucket=name)
    return name


@pytest.fixture
def location(bucket: str) -> str:
    return f"s3://{bucket}/footage"


@pytest.fixture
def yard(tmp_path: Path, store: Server, location: str) -> Yard:
    yard = yard_at(tmp_path / "old")
    yard.drives()
    take_in(yard, store, location)
    yard.offload(yard.card("card", CARD))
    return yard


def yard_at(root: Path) -> Yard:
    root.mkdir()
    return Yard(root, policy="distinct_devices = false")


def take_in(yard: Yard, store: Server, location: str, name: str = "Off site") -> None:
    with yard.keeper() as keeper:
        keeper.add_bucket(location, role=Role.CLOUD, name=name, endpoint=store.url, profile=None)


def upload(yard: Yard) -> None:
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    assert outcome.troubles == ()


def rebuilt(yard: Yard, store: Server, location: str, **wish: Any) -> RebuildOutcome:
    with yard.keeper() as keeper:
        asked = RebuildWish(sources=(location,), endpoint=store.url, **wish)
        return keeper.rebuild(asked, progress=QUIET)


def new_machine(old: Yard, root: Path) -> Yard:
    """Another home, another catalog; the time is what it is."""
    yard = yard_at(root / "new")
    yard.clock.at = old.clock.at
    return yard


def gaps_of(yard: Yard) -> tuple[Any, ...]:
    with yard.keeper() as keeper:
        report = keeper.gaps()
        return report.rolls, report.places, report.unfinished


def keys(store: Server, bucket: str, below: str) -> list[str]:
    listed = store.client.list_objects_v2(Bucket=bucket, Prefix=f"footage/{below}")
    return sorted(entry["Key"] for entry in listed.get("Contents", []))


@on_both
def test_from_the_bucket_alone_the_answers_are_as_before(
    yard: Yard, store: Server, bucket: str, location: str, tmp_path: Path
) -> None:
    upload(yard)
    before = gaps_of(yard)
    verdict = yard.verdict(yard.root / "card")
    assert verdict.may_wipe
    new = new_machine(yard, tmp_path)
    outcome = rebuilt(new, store, location)
    assert outcome.all_well, outcome
    assert (outcome.rolls, outcome.files) == (1, 3)
    assert gaps_of(new) == before
    again = new.verdict(yard.root / "card")
    assert (again.may_wipe, again.reasons) == (True, ())
    assert {one.place.name: (one.here, one.looked_at) for one in outcome.places} == {
        "Main": (True, False), "Travel": (True, False), "Off site": (True, True),
    }  # fmt: skip
    with new.keeper() as keeper:  # what is there is known: nothing is sent again
        (sent,) = keeper.upload(progress=QUIET)
    assert (sent.sent_files, sent.troubles) == (0, ())


@on_the_mock
def test_what_a_person_types_in_an_empty_home(
    yard: Yard, store: Server, location: str, tmp_path: Path
) -> None:
    upload(yard)
    new = new_machine(yard, tmp_path)
    said = typed(new, "rebuild", "--from", location, "--endpoint", store.url)
    assert said.code == 0, said
    assert "The catalog knows now: 1 roll, 3 files" in said.out
    status = typed(new, "status", "--json")
    assert status.code in {0, 1}
    assert len(typed(new, "gaps", "--json").json["rolls"]) == 1


@on_the_mock
def test_it_lies_below_a_marker_and_keeps_a_history(
    yard: Yard, store: Server, bucket: str, location: str
) -> None:
    upload(yard)
    marker = store.client.get_object(Bucket=bucket, Key="footage/.backupkeeper/place.json")
    with yard.keeper() as keeper:
        (place,) = (one.place for one in keeper.places() if one.place.role is Role.CLOUD)
    told = decode_marker(marker["Body"].read())
    assert (told.id, told.name, told.role) == (place.id, "Off site", Role.CLOUD)
    (first,) = keys(store, bucket, FOLDER)
    yard.clock.at = yard.clock.at.replace(hour=20)
    yard.offload(yard.card("more", {"DCIM/B.MP4": clip(7)}), source="Close")
    upload(yard)
    both = keys(store, bucket, FOLDER)
    assert len(both) == 2
    assert both[0] == first


@on_both
def test_a_broken_newest_one_is_told_and_the_older_one_stands_in(
    yard: Yard, store: Server, bucket: str, location: str, tmp_path: Path
) -> None:
    upload(yard)
    yard.clock.at = yard.clock.at.replace(hour=20)
    yard.offload(yard.card("more", {"DCIM/B.MP4": clip(7)}), source="Close")
    upload(yard)
    newest = keys(store, bucket, FOLDER)[-1]
    store.client.put_object(Bucket=bucket, Key=newest, Body=b"nothing of the kind")
    new = new_machine(yard, tmp_path)
    outcome = rebuilt(new, store, location)
    assert len(outcome.unusable) == len(outcome.taken) == 1
    # The second roll is known by its manifest alone: told, and no proof before it was fetched back.
    (unknown,) = outcome.unknown
    assert (unknown.files, unknown.known_by_manifest, unknown.taken_in) == (1, 1, False)
    assert not new.verdict(yard.root / "more").may_wipe
    outcome = rebuilt(new, store, location, merge=True, take_in=True)
    assert [one.taken_in for one in outcome.unknown] == [True]
    assert outcome.rolls == 2
    cloud = next(
        one for roll in gaps_of(new)[0] if roll.roll.source == "Close"
        for role, one in roll.roles.items() if role is Role.CLOUD
    )  # fmt: skip
    assert cloud.state == "proven"


@on_both
def test_from_the_buckets_manifests_alone(
    yard: Yard, store: Server, bucket: str, location: str, tmp_path: Path
) -> None:
    """No snapshot at all, and the drives are gone too."""
    upload(yard)
    for key in keys(store, bucket, FOLDER):
        store.client.delete_object(Bucket=bucket, Key=key)
    shutil.rmtree(yard.root / "Main")
    shutil.rmtree(yard.root / "Travel")
    new = new_machine(yard, tmp_path)
    outcome = rebuilt(new, store, location)
    assert (outcome.taken, outcome.rolls) == ((), 0)
    assert [(one.folder, one.files) for one in outcome.unknown] == [
        ("260612 Boatyard/Originals/Wide/Roll 01", 3)
    ]
    outcome = rebuilt(new, store, location, merge=True, take_in=True)
    assert outcome.rolls == 1
    ((cover,), places, _) = gaps_of(new)
    assert {place.name for place in places} == {"Off site"}
    assert cover.roles[Role.CLOUD].state == "proven"
    assert cover.roll.size_bytes == sum(len(data) for data in CARD.values())
    before = (yard.root / "card" / "DCIM/BOAT0001.MP4").stat().st_mtime_ns
    with new.keeper() as keeper:
        roll = keeper.context.catalog.roll(cover.roll.id)
    assert next(one for one in roll.files if one.path.endswith("MP4")).mtime_ns == before


@on_both
def test_an_object_that_is_not_what_its_manifest_says_keeps_the_roll_out(
    yard: Yard, store: Server, bucket: str, location: str, tmp_path: Path
) -> None:
    upload(yard)
    for key in keys(store, bucket, FOLDER):
        store.client.delete_object(Bucket=bucket, Key=key)
    bad = "footage/260612 Boatyard/Originals/Wide/Roll 01/DCIM/BOAT0001.MP4"
    store.client.put_object(Bucket=bucket, Key=bad, Body=clip(8))
    new = new_machine(yard, tmp_path)
    outcome = rebuilt(new, store, location, take_in=True)
    (unknown,) = outcome.unknown
    assert not unknown.taken_in
    assert "not what the manifests there say" in unknown.why
    assert outcome.rolls == 0
    store.client.delete_object(Bucket=bucket, Key=bad)
    (unknown,) = rebuilt(new, store, location, merge=True, take_in=True).unknown
    assert "1 of its files are not there" in unknown.why


@on_the_mock
def test_another_machine_that_takes_the_bucket_in_knows_it_as_the_same_place(
    yard: Yard, store: Server, location: str, tmp_path: Path
) -> None:
    other = yard_at(tmp_path / "other")
    take_in(other, store, location)
    with yard.keeper() as mine, other.keeper() as theirs:
        ids = [
            {one.place.id for one in keeper.places() if one.place.role is Role.CLOUD}
            for keeper in (mine, theirs)
        ]
    assert ids[0] == ids[1]


@on_the_mock
def test_a_copied_marker_does_not_move_a_place(
    yard: Yard, store: Server, bucket: str, location: str, tmp_path: Path
) -> None:
    """Who copies the marker into another bucket does not get what is sent to the first."""
    upload(yard)
    body = store.client.get_object(Bucket=bucket, Key="footage/.backupkeeper/place.json")["Body"]
    store.client.put_object(Bucket=bucket, Key="evil/.backupkeeper/place.json", Body=body.read())
    outcome = rebuilt(yard, store, f"s3://{bucket}/evil", merge=True)
    assert any("is another bucket" in one.message for one in outcome.troubles)
    with yard.keeper() as keeper:
        assert {one.place.location for one in keeper.places()} >= {location}


@on_the_mock
def test_snapshots_are_thinned_where_that_is_allowed_and_only_this_catalogs(
    yard: Yard, store: Server, bucket: str, location: str
) -> None:
    upload(yard)
    (own,) = keys(store, bucket, FOLDER)
    catalog = own.rpartition("/")[2].split("-")[1]
    other = f"footage/{FOLDER}/20200101T000000000000Z-{'0' * 32}-{'1' * 64}.sqlite.zst"
    mine = [
        f"footage/{FOLDER}/202001{day:02}T000000000000Z-{catalog}-{'1' * 64}.sqlite.zst"
        for day in range(1, 32)
    ]
    for key in (other, *mine):
        store.client.put_object(Bucket=bucket, Key=key, Body=b"old")
    yard.clock.at = yard.clock.at.replace(hour=20)
    yard.offload(yard.card("more", {"DCIM/B.MP4": clip(7)}), source="Close")
    upload(yard)
    left = keys(store, bucket, FOLDER)
    assert other in left
    assert len([key for key in left if catalog in key]) == KEPT_IN_BUCKETS + 1
    assert mine[-1] in left


def test_a_bucket_that_does_not_answer_is_told(tmp_path: Path, credentials: None) -> None:
    yard = yard_at(tmp_path / "old")
    asked = RebuildWish(sources=("s3://boat-yard/x",), endpoint="http://127.0.0.1:9")
    with yard.keeper() as keeper:
        with pytest.raises(BucketUnreachableError):
            keeper.rebuild(asked, progress=QUIET)
        assert keeper.places() == ()


def test_snapshots_are_not_locked(moto: Server, credentials: None, tmp_path: Path) -> None:
    """Originals can't be deleted for so many days; snapshots must be thinned."""
    bucket = "rebuild-locked"
    moto.client.create_bucket(Bucket=bucket, ObjectLockEnabledForBucket=True)
    yard = yard_at(tmp_path / "old")
    with (yard.root / "config.toml").open("a") as config:
        config.write("[upload]\nretention_days = 3\n")
    yard.drives()
    take_in(yard, moto, f"s3://{bucket}/footage")
    yard.offload(yard.card("card", CARD))
    upload(yard)
    (snapshot,) = keys(moto, bucket, FOLDER)
    assert "ObjectLockMode" not in moto.client.head_object(Bucket=bucket, Key=snapshot)
    original = "footage/260612 Boatyard/Originals/Wide/Roll 01/DCIM/BOAT0001.MP4"
    assert "ObjectLockMode" in moto.client.head_object(Bucket=bucket, Key=original)
