"""``/proc/diskstats``, as the kernel's documentation describes it, and as it is on this machine."""

from pathlib import Path

import pytest
from hypothesis import given, strategies as st

from backupkeeper.drives.activity import bytes_passed, disk_of, parse_diskstats

TOLD = """\
   8       0 sda 100 1 2000 10 50 2 1000 20 0 30 30 0 0 0 0 0 0
   8       1 sda1 90 1 8 10 50 2 16 20 0 30 30
   7       0 loop0 1
   odd line
 259       0 nvme0n1 1 2 x 3 4 5 6 7 8 9
"""


def test_sectors_are_512_bytes_and_odd_lines_are_passed_over() -> None:
    assert parse_diskstats(TOLD) == {"sda": 3000 * 512, "sda1": 24 * 512}


@given(st.text())
def test_whatever_stands_there_is_read_or_passed_over(text: str) -> None:
    parse_diskstats(text)


def test_a_system_that_does_not_tell_has_no_disks() -> None:
    assert bytes_passed("/nowhere") == {}


def test_this_machine_tells() -> None:
    assert all(count >= 0 for count in bytes_passed().values())


@pytest.mark.parametrize(
    ("node", "disk"),
    [
        ("/dev/sdb", "sdb"),
        ("/dev/sdb1", "sdb"),
        ("/dev/nvme0n1p2", "nvme0n1"),
        ("/dev/cciss/c0d0p1", "cciss/c0d0"),
        ("/dev/dm-0", "dm-0"),
        ("/dev/gone9", "gone9"),
    ],
)
def test_a_partition_belongs_to_its_disk(tmp_path: Path, node: str, disk: str) -> None:
    """As in the kernel's Documentation/ABI/stable/sysfs-block and testing/sysfs-block."""
    (tmp_path / "class").mkdir()
    for path in ("sdb", "sdb/sdb1", "nvme0n1/nvme0n1p2", "cciss!c0d0/cciss!c0d0p1", "dm-0"):
        folder = tmp_path / "devices" / path
        folder.mkdir(parents=True)
        if "/" in path:
            (folder / "partition").write_text("1\n")
        (tmp_path / "class" / folder.name).symlink_to(folder)
    assert disk_of(node, str(tmp_path / "class")) == disk
