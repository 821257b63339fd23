"""A new machine, and a bucket in which everything is encrypted: with the key all is known again."""

import json
from pathlib import Path

import pytest

from backupkeeper.core.model import Role
from backupkeeper.core.rebuilding import RebuildOutcome, RebuildWish
from backupkeeper.core.snapshots import FOLDER
from tests.real.store import Server
from tests.real.test_encrypted_story import KEYS
from tests.stories.yard import QUIET, Yard, clip

pytest_plugins = ["tests.real.store_fixtures"]
BUCKET = "rebuild-encrypted"


def yard_at(root: Path, upload: str) -> Yard:
    root.mkdir()
    return Yard(root, policy=f"distinct_devices = false\n[upload]\n{upload}")


def rebuilt(yard: Yard, store: Server) -> RebuildOutcome:
    with yard.keeper() as keeper:
        wish = RebuildWish(sources=(f"s3://{BUCKET}/footage",), endpoint=store.url, merge=True)
        return keeper.rebuild(wish, progress=QUIET)


@pytest.mark.parametrize("hide", [True, False], ids=["names hidden", "names readable"])
def test_with_the_key_all_is_known_again_and_without_it_that_is_said(
    hide: bool, moto: Server, credentials: None, tmp_path: Path
) -> None:
    if not any(one["Name"] == BUCKET for one in moto.client.list_buckets()["Buckets"]):
        moto.client.create_bucket(Bucket=BUCKET)
    for left in moto.keys(BUCKET):
        moto.client.delete_object(Bucket=BUCKET, Key=left)
    key = tmp_path / "key.txt"
    key.write_text(f"{KEYS['kitchen'][0]}\n")
    public = json.dumps([KEYS["kitchen"][1]])
    old = yard_at(tmp_path / "old", f"encrypt_to = {public}\nhide_names = {str(hide).lower()}")
    old.drives()
    with old.keeper() as keeper:
        keeper.show_keys([str(key)], where="the drawer")
        keeper.add_bucket(
            f"s3://{BUCKET}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=moto.url,
            profile=None,
        )
    old.offload(old.card("card", {"DCIM/A.MP4": clip(1), "B.XML": b"<clip/>"}))
    with old.keeper() as keeper:
        (sent,) = keeper.upload(progress=QUIET)
        before = keeper.gaps().rolls
    assert sent.troubles == ()
    assert [one for one in moto.keys(BUCKET) if FOLDER in one and one.endswith(".zst.age")]

    new = yard_at(tmp_path / "new", "")
    new.clock.at = old.clock.at
    without = rebuilt(new, moto)
    assert without.taken == ()
    assert any("is encrypted" in one.message for one in without.troubles)

    new = yard_at(tmp_path / "newer", f'identity_file = "{key}"')
    new.clock.at = old.clock.at
    assert len(rebuilt(new, moto).taken) == 1
    with new.keeper() as keeper:
        assert keeper.gaps().rolls == before
