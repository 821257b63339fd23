"""Fixtures: a yard with two drives, and a bucket of our own store over a line that can be made bad.

Use with ``pytest_plugins = ["tests.real.store_fixtures", "tests.stories.over_the_line"]``.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest

from backupkeeper.core.model import Role
from tests.real.store import Server
from tests.stories.yard import Yard
from tests.world.bad_line import BadLine, bad_line_to


@pytest.fixture
def line(strict: Server) -> Iterator[BadLine]:
    with bad_line_to(strict.url) as line:
        yield line


@pytest.fixture
def bucket(strict: Server) -> str:
    return strict.new_bucket()


@pytest.fixture
def empty_yard(tmp_path: Path, line: BadLine, bucket: str, credentials: None) -> Yard:
    """Nothing was offloaded yet."""
    yard = Yard(tmp_path, policy="distinct_devices = false")
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=line.url,
            profile=None,
        )
    return yard
