"""A disk that is full under the catalog is told; SQLite would end the process by a signal."""

import os
from contextlib import closing

import pytest

from backupkeeper.core.errors import CatalogError
from tests.catalog.made import fact
from tests.catalog.test_opening import fill, open_here


def test_a_full_disk_is_told_before_anything_is_written(
    file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the system would end the process in the midst of it, by a signal."""
    fill(file)
    real = os.statvfs(file)

    def full(_path: str) -> os.statvfs_result:
        return os.statvfs_result((*real[:4], 0, *real[5:]))

    with closing(open_here(file)) as catalog:
        monkeypatch.setattr(os, "statvfs", full)
        with pytest.raises(CatalogError, match=r"no room left .* \(ENOSPC\)"):
            catalog.record(facts=[fact(1, path="1")])
        monkeypatch.undo()
        catalog.record(facts=[fact(1, path="1")])
