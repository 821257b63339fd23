"""A new machine: the catalog is back, the configuration is not, and encrypted files are in the bucket."""

from pathlib import Path

import pytest

from backupkeeper.core.errors import PlainNotMeantError
from backupkeeper.core.model import Role
from backupkeeper.transfer.age import new_identity
from tests.real.store import Server
from tests.stories.yard import QUIET, Yard, clip

pytest_plugins = ["tests.real.store_fixtures"]

PLAIN = "distinct_devices = false"


def test_nothing_becomes_readable_until_somebody_says_so(
    tmp_path: Path, strict: Server, credentials: None
) -> None:
    key, bucket = new_identity(), strict.new_bucket()
    (tmp_path / "key.txt").write_text(str(key._secret))
    hidden = f'[upload]\nencrypt_to = ["{key.recipient}"]\nhide_names = true'
    yard = Yard(tmp_path, policy=f"{PLAIN}\n{hidden}")
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=strict.url,
            profile=None,
        )
        keeper.show_keys([str(tmp_path / "key.txt")], where="in a drawer")
    yard.offload(yard.card("card", {"DCIM/BOAT0001.MP4": clip(1)}))
    with yard.keeper() as keeper:
        assert keeper.upload(progress=QUIET)[0].sent_files == 1
    before = strict.keys(bucket)

    yard.policy = PLAIN
    yard.__post_init__()
    second = yard.card("second", {"DCIM/BOAT0009.MP4": clip(9)})
    yard.offload(second)
    with yard.keeper() as keeper, pytest.raises(PlainNotMeantError, match="encrypt_to is empty"):
        keeper.upload(progress=QUIET)
    assert strict.keys(bucket) == before
    assert not yard.verdict(second).may_wipe

    yard.policy = f"{PLAIN}\n[upload]\nplain_too = true"
    yard.__post_init__()
    with yard.keeper() as keeper:
        assert keeper.upload(progress=QUIET)[0].sent_files == 1
    assert yard.verdict(second).may_wipe
