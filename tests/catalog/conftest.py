"""A catalog on a real file, closed after each test."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from tests.catalog.made import Watch


@pytest.fixture
def file(tmp_path: Path) -> str:
    return str(tmp_path / "state" / "backupkeeper" / "catalog.sqlite")


@pytest.fixture
def catalog(file: str) -> Iterator[SqliteCatalog]:
    with closing(open_catalog(file, clock=Watch(), patience_s=0.05)) as opened:
        yield opened
