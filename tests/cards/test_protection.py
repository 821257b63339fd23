"""What a person is told about how a card is mounted."""

import pytest

from backupkeeper.cards.protection import writing_warnings
from backupkeeper.ports.mounts import Mount


def mount(fs_type: str, *, read_only: bool) -> Mount:
    return Mount(
        mount_id=1,
        point="/media/card",
        root="/",
        fs_type=fs_type,
        source="/dev/sdb1",
        device_number=(8, 17),
        read_only=read_only,
        token="t",
    )


@pytest.mark.parametrize("fs_type", ["fuseblk", "fuse.exfat"])
def test_a_writable_card_behind_a_fuse_driver_is_told(fs_type: str) -> None:
    (warning,) = writing_warnings(mount(fs_type, read_only=False))
    assert "read-only" in warning


@pytest.mark.parametrize(
    ("fs_type", "read_only"),
    [("fuseblk", True), ("exfat", False), ("exfat", True), ("ext4", False)],
)
def test_a_card_that_keeps_no_trace_of_reading_is_not(fs_type: str, read_only: bool) -> None:
    assert writing_warnings(mount(fs_type, read_only=read_only)) == ()
