"""Cold reads at their edges: broken off, not synced, behind FUSE, and just which blocks are wrong."""

from dataclasses import replace

import pytest

from backupkeeper.core.errors import MismatchError, SourceChangedError
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.core.ranges import Ranges
from backupkeeper.ports.files import Handle
from backupkeeper.transfer.coldpolicy import ColdKind, cold_policy
from backupkeeper.transfer.coldread import (
    DEVICE_DROPPED,
    DROPPED_DIRECT,
    NEW_MOUNT,
    ColdReader,
    SoFar,
    checked_blocks,
    read_cold,
    wrong_blocks,
)
from tests.transfer.made_up_drives import EIO, KERNEL, Stand
from tests.transfer.test_coldread import (
    BIG,
    DATA,
    FUSE,
    Fuse,
    Pinned,
    content,
    reading_of,
    stored,
)
from tests.world.disk import Disk


def test_a_reading_that_was_broken_off_goes_on_where_it_ended() -> None:
    stand = Stand()
    path = stand.put("/card/one", BIG)
    reader = ColdReader(stand.files, KERNEL)
    told: list[int] = []
    begun = SoFar()
    assert reader.read_on(path, begun, told.append, lambda: True) is None
    assert (told, begun.hasher.size) == ([2 * BLOCK_BYTES], 2 * BLOCK_BYTES)
    assert (begun.size, begun.mtime_ns) == (len(BIG), stand.stat(path).mtime_ns)
    assert begun.known.evidence == DROPPED_DIRECT
    rest = SoFar(start=2 * BLOCK_BYTES)
    # Where the last bytes are there it is no longer broken off.
    reading = reader.read_on(path, rest, told.append, lambda: True)
    assert reading is not None
    assert told[1:] == [8_000]
    assert reading.size == len(BIG)
    assert reading.xxh128 == content(BIG[2 * BLOCK_BYTES :]).xxh128
    assert begun.hasher.block_map + reading.block_map == content(BIG).block_map
    assert stand.open_handles == 0
    with pytest.raises(SourceChangedError, match=path):
        reader.read_on(path, SoFar(start=3 * BLOCK_BYTES), told.append, lambda: False)


def test_what_nobody_synced_is_synced_and_then_cold() -> None:
    for direct in (True, False):
        stand = Stand(direct=direct)
        handle = stand.create("/card/one")
        stand.write_at(handle, memoryview(DATA), 0)
        stand.close(handle)
        assert read_cold(stand.files, "/card/one", KERNEL).cold
    stand = Stand(direct=False)
    path = stand.put("/card/one", DATA)
    stand.calls.clear()
    assert read_cold(stand.files, path, KERNEL).cold
    assert "sync" not in {call for call, _ in stand.calls}, (
        "where nothing is left nothing is synced"
    )
    stand.fail["sync"], stand.fail["pages_in_memory"] = ("", EIO), ("", EIO)
    assert not read_cold(stand.files, path, KERNEL).cold


class PinnedForGood(Pinned):
    """And what was not synced can't be."""

    def sync(self, handle: int) -> None:
        raise EIO


def test_what_can_not_be_synced_is_read_and_warm() -> None:
    disk = PinnedForGood()
    handle = disk.create("/C0001.bin")
    disk.write_at(handle, memoryview(DATA), 0)
    disk.close(handle)
    reading = read_cold(disk, "/C0001.bin", KERNEL)
    assert (reading.cold, reading.xxh128) == (False, content(DATA).xxh128)
    assert reading.why_not_cold.startswith("3 pages of the file stayed in memory")


class NoDirect(Fuse):
    """Nobody opens a file of it past the cache: behind FUSE that proves nothing."""

    def open_read(self, path: str, *, direct: bool = False) -> Handle:
        assert not direct
        return super().open_read(path)


def test_behind_fuse_nothing_is_opened_past_the_cache() -> None:
    disk = NoDirect()
    assert read_cold(disk, stored(disk), FUSE).evidence == DEVICE_DROPPED


def test_behind_fuse_the_file_is_synced_and_the_pages_of_its_own_device_are_dropped() -> None:
    asked: list[object] = []

    class Asked(Fuse):
        def sync(self, handle: int) -> None:
            asked.append(handle)
            raise EIO

        def drop_device_pages(self, device_path: str) -> int:
            asked.append(device_path)
            return 0

    disk = Asked()
    handle = disk.create("/C0001.bin")
    disk.close(handle)
    assert read_cold(disk, "/C0001.bin", FUSE).evidence == DEVICE_DROPPED
    (synced, device) = asked
    assert isinstance(synced, int)
    assert device == "/dev/made-up"


class PinnedFuse(Pinned):
    """The device's pages go, the file's stay."""

    def drop_device_pages(self, device_path: str) -> int:
        return 0


def test_behind_fuse_the_files_own_pages_must_go_too() -> None:
    disk = PinnedFuse()
    path = stored(disk)
    reading = read_cold(disk, path, FUSE)
    assert (reading.cold, reading.evidence) == (False, "")
    assert reading.why_not_cold.startswith("3 pages of the file stayed in memory")
    assert read_cold(disk, path, FUSE, new_mount=True).evidence == NEW_MOUNT


def test_a_device_that_may_not_be_opened_is_warm_and_says_why() -> None:
    disk = Disk()
    reading = read_cold(disk, stored(disk), FUSE)
    assert reading.why_not_cold.startswith("fuseblk reads through its device's cache")
    assert "or run with the right to open the device" in reading.why_not_cold


def test_an_empty_file_is_cold_without_asking_for_its_pages() -> None:
    stand = Stand()
    path = stand.put("/card/none", b"")
    stand.fail["pages_in_memory"] = ("", EIO)
    assert read_cold(stand.files, path, KERNEL).cold


def test_checked_blocks_give_what_is_right_up_to_what_is_not() -> None:
    stand = Stand()
    path = stand.put("/card/one", BIG[:BLOCK_BYTES] + b"?" + BIG[BLOCK_BYTES + 1 :])
    blocks = checked_blocks(stand.files, path, content(BIG), KERNEL)
    assert bytes(next(blocks)) == BIG[:BLOCK_BYTES]
    with pytest.raises(MismatchError, match=f"from byte {BLOCK_BYTES} on"):
        next(blocks)
    assert stand.open_handles == 0
    whole = stand.put("/card/two", BIG)
    given_out = [bytes(one) for one in checked_blocks(stand.files, whole, content(BIG), KERNEL)]
    assert b"".join(given_out) == BIG
    stand.after["read_into"] = lambda: stand.set_times(whole, 1)
    with pytest.raises(SourceChangedError, match=whole):
        list(checked_blocks(stand.files, whole, content(BIG), KERNEL))


@pytest.mark.parametrize(
    ("unreadable", "blocks"),
    [
        ((), set()),
        (((BLOCK_BYTES - 1, BLOCK_BYTES),), {0}),
        (((BLOCK_BYTES, BLOCK_BYTES + 1),), {1}),
        (((BLOCK_BYTES - 1, BLOCK_BYTES + 1),), {0, 1}),
        (((len(BIG) - 1, len(BIG)),), {2}),
    ],
)
def test_just_the_blocks_are_wrong_of_which_the_device_did_not_give_all(
    unreadable: Ranges, blocks: set[int]
) -> None:
    reading = replace(reading_of(BIG), unreadable=unreadable)
    assert wrong_blocks(content(BIG), reading) == dict.fromkeys(blocks)
    other = replace(reading_of(bytes(len(BIG))), unreadable=unreadable)
    zeros = content(bytes(BLOCK_BYTES)).block_map
    found = wrong_blocks(content(BIG), other)
    assert set(found) == {0, 1, 2}
    assert {n for n, digest in found.items() if digest is None} == blocks
    assert all(found[n] == zeros for n in {0, 1} - blocks)


@pytest.mark.parametrize(
    ("fs_type", "kind"),
    [("xfs", ColdKind.KERNEL), ("fuse.some", ColdKind.FUSE), ("zfs", ColdKind.NEVER)],
)
def test_a_policy_knows_its_type_its_device_and_the_stopwatch(fs_type: str, kind: ColdKind) -> None:
    made = cold_policy(fs_type, "/dev/sdx1", stopwatch=lambda: 7.0)
    assert (made.fs_type, made.kind) == (fs_type, kind)
    assert made.block_device == (None if kind is ColdKind.NEVER else "/dev/sdx1")
    assert made.stopwatch is not None
    assert made.stopwatch() == 7.0
