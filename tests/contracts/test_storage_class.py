"""Storage classes on the way to a bucket: asked for on put and on create, refusals told plainly."""

import pytest

from backupkeeper.core.errors import UsageError
from tests.real.store import Opener, Server, blocks_of, content_of, made_up

pytest_plugins = ["tests.real.store_fixtures"]

SIZES = [pytest.param(100, id="in one piece"), pytest.param(20 * 1024 * 1024, id="in parts")]


@pytest.mark.parametrize("size", SIZES)
def test_an_object_lies_in_the_class_that_was_asked_for(
    opened: Opener, moto: Server, size: int
) -> None:
    name = moto.new_bucket()
    bucket = opened(moto.url, name)
    data = made_up(size)
    bucket.send("A001.MP4", content_of(data), blocks_of(data), storage_class="STANDARD_IA")
    bucket.send("B001.MP4", content_of(data), blocks_of(data))
    (first, second) = moto.client.list_objects_v2(Bucket=name)["Contents"]
    assert (first["StorageClass"], second["StorageClass"]) == ("STANDARD_IA", "STANDARD")


@pytest.mark.parametrize(
    "server", ["moto", pytest.param("radosgw", marks=pytest.mark.real("store"))], indirect=True
)
@pytest.mark.parametrize("size", SIZES)
def test_a_class_that_the_store_has_not_is_told_plainly(
    opened: Opener, server: Server, size: int
) -> None:
    name = server.new_bucket()
    bucket = opened(server.url, name)
    data = made_up(size)
    with pytest.raises(UsageError, match=r"does not take A001\.MP4 in the storage class NONSUCH"):
        bucket.send("A001.MP4", content_of(data), blocks_of(data), storage_class="NONSUCH")
    assert server.keys(name) == []
    assert server.uploads(name) == []
