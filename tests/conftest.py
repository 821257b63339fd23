"""Marks that need a real part of the machine: where it is missing, the test is skipped in one line."""

import os
import shutil
from collections.abc import Callable

import pytest

STANDARDS: str = os.path.join(os.path.dirname(__file__), "..", "..", "shared", "standards")


def _root_with(*programs: str) -> str | None:
    if os.geteuid() != 0:
        return "needs root to mount loop devices"
    if not os.path.exists("/dev/loop-control"):
        return "needs loop devices"
    missing = [name for name in programs if shutil.which(name, path=_PATH) is None]
    return f"needs {', '.join(missing)}" if missing else None


_PATH = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"


def _tools(*programs: str) -> str | None:
    missing = [name for name in programs if shutil.which(name, path=_PATH) is None]
    return f"needs {', '.join(missing)}" if missing else None


PARTS: dict[str, Callable[[], str | None]] = {
    "ext4": lambda: _root_with("mkfs.ext4"),
    "xfs": lambda: _root_with("mkfs.xfs", "xfs_io"),
    "exfat": lambda: _root_with("mkfs.exfat", "mount.exfat-fuse"),
    "store": lambda: _tools("ceph-mon", "ceph-osd", "radosgw"),
    "strace": lambda: _tools("strace"),
    "b3sum": lambda: _tools("b3sum"),
    "xmllint": lambda: _tools("xmllint"),
    "standards": lambda: (
        None
        if os.path.isdir(STANDARDS)
        else "needs the folder ../shared/standards beside the checkout"
    ),
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip what needs a part that this machine has not; ``.ci/run`` fails on such a skip."""
    lacking = {part: check() for part, check in PARTS.items()}
    for item in items:
        for mark in item.iter_markers("real"):
            for part in mark.args:
                if lacking[part] is not None:
                    item.add_marker(pytest.mark.skip(reason=f"real part {part}: {lacking[part]}"))
