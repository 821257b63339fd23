"""A strict store of its own for each test in here, and plain boto3 to talk to it."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from tests.real.store import raw_client
from tests.world.strict_asking import PART
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client


@pytest.fixture
def world() -> World:
    world = World()
    world.rules.smallest_part = PART
    return world


@pytest.fixture
def url(world: World) -> Iterator[str]:
    with strict_store(world) as address:
        yield address


@pytest.fixture
def client(url: str) -> "S3Client":
    made = raw_client(url)
    made.create_bucket(Bucket="yard")
    return made
