"""Originals go into the storage class that the person's rules say; everything else stays readable."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions.online import MARKER_PATH
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import CopyState, Role
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, clip
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 20 * 1024 * 1024),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/BOAT0003.MP4": clip(3),
}
CONFIG = """distinct_devices = false
[upload]
storage_class = "COOL"
[[upload.classes]]
shoots = "260612*"
older_than_days = 30
class = "DEEP"
"""
ENFORCED = frozenset({"content-md5"})


@pytest.fixture
def rules() -> Rules:
    return Rules(refuses_on_put=ENFORCED, refuses_on_part=ENFORCED)


@pytest.fixture
def yard(
    tmp_path: Path, rules: Rules, credentials: object, at_once: object, one_loader: object
) -> Iterator[ScopedYard]:
    with refusing_store(rules) as url:
        yard = ScopedYard(tmp_path, policy=CONFIG)
        yard.drives()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=url, profile=None
            )
        assert yard.offload(yard.card("card", CARD)).sealed
        rules.seen.clear()
        yield yard


def classes(rules: Rules, what: str) -> set[str | None]:
    """Classes that were asked for when objects like this were made."""
    return {
        headers.get("x-amz-storage-class")
        for verb, path, headers in rules.seen
        if what in path
        and ((verb == "PUT" and "partNumber" not in path) or path.endswith("?uploads"))
    }


@pytest.mark.parametrize(("days", "wanted"), [(0, "COOL"), (29, "COOL"), (31, "DEEP")])
def test_age_and_name_of_the_shoot_say_where_its_originals_lie(
    yard: ScopedYard, rules: Rules, days: int, wanted: str
) -> None:
    yard.clock.at += timedelta(days=days)
    assert yard.upload_one(origin="Main").troubles == ()
    assert yard.states("Off site") == {CopyState.PROVEN}
    assert classes(rules, "BOAT0") == {wanted}
    assert classes(rules, "ascmhl") == {None}


def test_a_class_that_the_store_has_not_is_told_and_nothing_is_believed(
    yard: ScopedYard, rules: Rules
) -> None:
    rules.turns_down = frozenset({"storage-class"})
    with yard.keeper() as keeper, pytest.raises(UsageError, match="the storage class COOL"):
        keeper.upload(progress=QUIET)
    assert CopyState.PROVEN not in yard.states("Off site")
    # Which bucket it is was written there when it was taken in, in the bucket's own class.
    assert [key for key in rules.objects if not key.endswith(MARKER_PATH)] == []
    assert rules.uploads == {}
