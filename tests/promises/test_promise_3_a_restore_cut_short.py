"""Promise 3 for restores: no wrong bytes under a final name, whatever ends the work.

Every call on a made-up disk is made to fail or to be the last, before or after it is carried out, and
after each the power is cut in many ways. Each time the name is free or holds the whole file; and a
second run, undisturbed, brings it. The same check must catch two restores that are made wrongly.
"""

import errno
import random
from collections.abc import Callable
from contextlib import suppress
from typing import cast

import pytest

from backupkeeper.core.errors import BackupkeeperError, NameTakenError, OutOfReachError
from backupkeeper.core.model import BLOCK_BYTES, Content
from backupkeeper.ports.files import Files, Handle
from backupkeeper.transfer.coldpolicy import cold_policy
from backupkeeper.transfer.durable import is_temp_name, temp_name
from backupkeeper.transfer.hashing import Hasher
from backupkeeper.transfer.regaining import Regained, Regaining, Wanted
from backupkeeper.transfer.ring import AbandonedError
from tests.world.disk import Disk
from tests.world.killing import Faults, Killed

GOOD = random.Random(1).randbytes(9_000)
PATH = "/drive/Roll 01/C0001.MP4"
CUTS = 4
KERNEL = cold_policy("ext4", None)
ERRORS: list[BaseException] = [
    Killed(),
    OSError(errno.EIO, "broken"),
    OSError(errno.ENOSPC, "full"),
]
Work = Callable[[Files], None]


def content_of(data: bytes) -> Content:
    hasher = Hasher()
    hasher.update(data)
    return hasher.content()


class Giver:
    def __init__(self, data: bytes = GOOD) -> None:
        self.data = data

    def block(self, number: int) -> memoryview | None:
        return memoryview(self.data)[number * BLOCK_BYTES : (number + 1) * BLOCK_BYTES]

    def part(self, number: int) -> memoryview | None:
        return self.block(number)


WANTED = Wanted(path=PATH, content=content_of(GOOD), mtime_ns=7, cold=KERNEL)


def regain(files: Files, *givers: Giver, stopped: Callable[[], bool] = lambda: False) -> Regained:
    return Regaining(
        files, WANTED, givers or (Giver(),), lambda: None, lambda _: None, stopped
    ).make()


def restore(files: Files) -> None:
    assert regain(files).reading is not None


def named_first(files: Files) -> None:
    """Sabotage: the final name from the beginning."""
    handle = files.create(PATH)
    files.write_at(handle, memoryview(GOOD)[:4_000], 0)
    files.write_at(handle, memoryview(GOOD)[4_000:], 4_000)
    files.sync(handle)
    files.close(handle)


def not_synced(files: Files) -> None:
    """Sabotage: named before it is on the medium."""
    handle = files.create(temp_name(PATH))
    files.write_at(handle, memoryview(GOOD), 0)
    files.close(handle)
    files.rename_new(temp_name(PATH), PATH)
    files.sync_folder("/drive/Roll 01")


def new_disk(left_over: bytes = b"", kind: type[Disk] = Disk) -> Disk:
    disk = kind()
    disk.make_folder("/drive")
    disk.make_folder("/drive/Roll 01")
    if left_over:
        put(disk, temp_name(PATH), left_over)
    disk.sync_tree("/")
    return disk


def put(disk: Disk, path: str, data: bytes) -> None:
    handle = disk.create(path)
    disk.write_at(handle, memoryview(data), 0)
    disk.close(handle)


def wrong_worlds(work: Work, left_over: bytes = b"") -> list[str]:
    counted = Faults.around(new_disk(left_over))
    work(cast("Files", counted.port))
    wrong = []
    for number in range(1, len(counted.calls) + 1):
        for error in ERRORS:
            for before in (True, False):
                for seed in range(CUTS):
                    disk = new_disk(left_over)
                    faults = Faults.around(disk, at=number, then=error, before=before)
                    with suppress(BackupkeeperError, Killed, OSError, AssertionError):
                        work(cast("Files", faults.port))
                    if seed:
                        disk.power_cut(random.Random(seed))
                    what = f"call {number} ({counted.calls[number - 1]}), {error!r}, cut {seed}"
                    if disk.seen().get(PATH, GOOD) != GOOD:
                        wrong.append(f"{what}: the name holds other bytes")
                    with suppress(NameTakenError):  # it is there already
                        regain(cast("Files", disk))
                    if disk.seen().get(PATH) != GOOD:
                        wrong.append(f"{what}: a second run did not bring it")
    return wrong


@pytest.mark.slow
@pytest.mark.parametrize("left_over", [b"", GOOD[:5_000], b"\x00" * 20_000])
def test_whenever_it_is_cut_short_the_name_is_free_or_holds_the_file(left_over: bytes) -> None:
    assert wrong_worlds(restore, left_over) == []


@pytest.mark.slow
@pytest.mark.parametrize("broken", [named_first, not_synced])
def test_the_check_notices_a_restore_that_is_made_wrongly(broken: Work) -> None:
    assert wrong_worlds(broken)


@pytest.mark.parametrize("left_over", [b"", GOOD[:100], GOOD, GOOD + b"more", b"\x01" * 9_000])
def test_undisturbed_it_comes_with_its_time_and_nothing_else_stays(left_over: bytes) -> None:
    disk = new_disk(left_over)
    made = regain(cast("Files", disk))
    assert disk.seen()[PATH] == GOOD
    assert disk.stat(PATH).mtime_ns == 7
    assert made.continued == (left_over in {GOOD, GOOD + b"more"})
    assert not [path for path in disk.seen() if is_temp_name(path.rpartition("/")[2])]
    assert not disk.open_handles


def test_a_disk_that_gives_other_bytes_back_is_not_given_the_name() -> None:
    class Lying(Disk):
        def write_at(self, handle: Handle, data: memoryview, offset: int) -> int:
            return super().write_at(handle, memoryview(bytes(data[:-1]) + b"\x00"), offset)

    disk = new_disk(kind=Lying)
    with pytest.raises(BackupkeeperError, match="came back"):
        restore(cast("Files", disk))
    assert disk.seen() == {}


def test_pages_that_something_held_for_a_moment_are_read_once_more() -> None:
    class Held(Disk):
        asked = 0

        def pages_in_memory(self, handle: Handle, size: int) -> int:
            self.asked += 1
            return 1 if self.asked <= 2 else super().pages_in_memory(handle, size)

    disk = new_disk(kind=Held)
    made = regain(cast("Files", disk))
    assert made.reading is not None
    assert made.reading.cold


def test_a_name_that_is_taken_meanwhile_stays_as_it_is() -> None:
    class Taken(Disk):
        def set_times(self, path: str, mtime_ns: int) -> None:
            super().set_times(path, mtime_ns)
            put(self, PATH, b"of somebody else")

    disk = new_disk(kind=Taken)
    with pytest.raises(NameTakenError):
        restore(cast("Files", disk))
    assert disk.seen()[PATH] == b"of somebody else"
    assert temp_name(PATH) not in disk.seen()


def test_two_wrong_givers_may_have_it_together_and_one_alone_has_not() -> None:
    one = Giver(b"\xff" * 512 + GOOD[512:])
    other = Giver(GOOD[:4096] + b"\xff" * 512 + GOOD[4608:])
    disk = new_disk()
    assert regain(cast("Files", disk), one, other).pieced == [0]
    assert disk.seen()[PATH] == GOOD
    disk = new_disk()
    made = regain(cast("Files", disk), one)
    assert (made.lost, made.reading) == (((0, 9_000),), None)
    assert disk.seen() == {}, "what nobody has right gets no name, and no room"


def test_what_came_wrong_is_asked_for_once_more_before_a_copy_is_blamed() -> None:
    class Spoiled(Giver):
        asked = 0

        def block(self, number: int) -> memoryview | None:
            self.asked += 1
            return memoryview(b"\xff" * 9_000) if self.asked == 1 else super().block(number)

    disk = new_disk()
    made = regain(cast("Files", disk), Spoiled())
    assert (made.taken, made.wrong) == ({0: [0]}, {})
    assert disk.seen()[PATH] == GOOD


def test_where_a_giver_can_not_be_asked_what_came_stays_to_be_gone_on_with() -> None:
    disk = new_disk(GOOD[:100])
    gone = OutOfReachError("gone")
    regaining = Regaining(
        cast("Files", disk), WANTED, [Giver(b"x")], lambda: None, lambda _: None, lambda: False,
        lambda: gone,
    )  # fmt: skip
    with pytest.raises(OutOfReachError):
        regaining.make()
    assert temp_name(PATH) in disk.seen()
    assert not disk.open_handles
    disk = new_disk()
    with pytest.raises(OutOfReachError):
        Regaining(
            cast("Files", disk), WANTED, [Giver(b"x")], lambda: None, lambda _: None, lambda: False,
            lambda: gone,
        ).make()  # fmt: skip
    assert disk.seen() == {}, "where nothing came nothing stays, nor its room"


def test_stopped_it_leaves_no_name() -> None:
    disk = new_disk()
    with pytest.raises(AbandonedError):
        regain(cast("Files", disk), stopped=lambda: True)
    assert PATH not in disk.seen()
    assert not disk.open_handles
