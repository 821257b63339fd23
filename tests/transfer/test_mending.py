"""A damaged file made whole beside itself: who gives what, what is told of it, and what stays."""

import errno
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import count

import pytest

from backupkeeper.core.errors import (
    DriveGoneError,
    NoSpaceError,
    ReadBackError,
    ReadError,
    ReadOnlyError,
    SyncError,
    WriteError,
)
from backupkeeper.core.model import BLOCK_BYTES, Content
from backupkeeper.core.ranges import Ranges
from backupkeeper.ports.files import Handle
from backupkeeper.transfer.coldpolicy import ColdPolicy, cold_policy
from backupkeeper.transfer.durable import temp_name
from backupkeeper.transfer.hashing import Hasher
from backupkeeper.transfer.mending import Giver, Made, Mending, Patient, is_right
from tests.transfer.made_up_drives import EIO, KERNEL, Stand, broken, fine, some

GOOD = some(1, 2 * BLOCK_BYTES + 1_000)
PATH = "/main/C0001.bin"
TEMP = temp_name(PATH)
SECOND = (BLOCK_BYTES, 2 * BLOCK_BYTES)


def content(data: bytes) -> Content:
    hasher = Hasher()
    hasher.update(data)
    return hasher.content()


def hurt(data: bytes, *at: int) -> bytes:
    """The same with these bytes turned over."""
    made = bytearray(data)
    for one in at:
        made[one] ^= 0xFF
    return bytes(made)


@dataclass
class Other:
    """Another copy, in memory; ``asked`` are the blocks it was asked for."""

    data: bytes
    absent: frozenset[int] = frozenset()
    asked: list[int] = field(default_factory=list)

    def block(self, number: int) -> memoryview | None:
        self.asked.append(number)
        return None if number in self.absent else self.part(number)

    def part(self, number: int) -> memoryview | None:
        return memoryview(self.data[number * BLOCK_BYTES : (number + 1) * BLOCK_BYTES])


def mending(
    stand: Stand,
    damaged: bytes,
    *givers: Giver,
    guard: Callable[[], None] = fine,
    on_bytes: Callable[[int], None] = lambda _: None,
    cold: ColdPolicy = KERNEL,
) -> Mending:
    stand.put(PATH, damaged)
    stand.calls.clear()
    patient = Patient(path=PATH, content=content(GOOD), mtime_ns=7, cold=cold)
    return Mending(stand.files, patient, givers, guard, on_bytes)


def made(damaged: bytes, *givers: Giver) -> tuple[Stand, Made]:
    stand = Stand()
    found = mending(stand, damaged, *givers).make()
    assert stand.open_handles == 0
    assert stand.seen()[PATH] == damaged, "the damaged file stands as it stood"
    return stand, found


def left(stand: Stand) -> bytes | None:
    return stand.seen().get(TEMP)


def durable(stand: Stand) -> bytes | None:
    """What is on the medium under the temporary name, once the name is."""
    stand.sync_folder("/main")
    return stand.on_medium(TEMP)


def test_a_block_is_right_only_with_all_its_bytes() -> None:
    known = content(GOOD)
    for number in range(3):
        block = GOOD[number * BLOCK_BYTES : (number + 1) * BLOCK_BYTES]
        assert is_right(known, number, memoryview(block))
        assert not is_right(known, number, memoryview(block[:-1]))
        assert not is_right(known, (number + 1) % 3, memoryview(block))
        assert not is_right(known, number, memoryview(hurt(block, 9)))
    assert not is_right(known, 3, memoryview(b""))


def test_what_is_hurt_comes_from_the_first_that_has_it_right_and_the_rest_from_itself() -> None:
    at = BLOCK_BYTES + 5
    wrong, absent, good = Other(hurt(GOOD, at)), Other(GOOD, frozenset({1})), Other(GOOD)
    stand, found = made(hurt(GOOD, at), wrong, absent, good, Other(b""))
    assert durable(stand) == GOOD
    assert (found.own, found.taken, found.pieced) == (2, {2: [1]}, [])
    assert found.wrong == {0: [1], 1: [1]}
    assert (found.damage, found.lost, found.unreadable) == (((at, at + 1),), (), ())
    assert (wrong.asked, good.asked) == ([1], [1])
    assert found.reading is not None
    assert (found.reading.xxh128, found.reading.cold) == (content(GOOD).xxh128, True)
    assert found.before is not None
    assert found.before.size == len(GOOD)


@pytest.mark.parametrize(
    ("damaged", "damage"),
    [
        (GOOD + b"too much", ((len(GOOD), len(GOOD) + 8),)),
        (GOOD[: BLOCK_BYTES + 9], ((BLOCK_BYTES + 9, len(GOOD)),)),
        (b"", ((0, len(GOOD)),)),
        (hurt(GOOD, 0, 2 * BLOCK_BYTES + 1), ((0, 1), (2 * BLOCK_BYTES + 1, 2 * BLOCK_BYTES + 2))),
    ],
    ids=["too long", "too short", "empty", "in two blocks"],
)
def test_damage_is_told_to_the_byte(damaged: bytes, damage: Ranges) -> None:
    stand, found = made(damaged, Other(GOOD))
    assert durable(stand) == GOOD
    assert (found.damage, found.lost) == (damage, ())
    if len(damaged) > len(GOOD):
        assert (found.own, found.taken) == (3, {}), "all that must be there is right"


def test_two_that_are_wrong_in_different_sectors_have_it_together() -> None:
    stand, found = made(hurt(GOOD, BLOCK_BYTES + 5), Other(hurt(GOOD, BLOCK_BYTES + 9_000)))
    assert durable(stand) == GOOD
    assert (found.own, found.pieced, found.taken) == (2, [1], {})
    assert found.damage == ((BLOCK_BYTES + 5, BLOCK_BYTES + 6),)


def test_a_copy_that_ends_early_still_gives_its_beginning() -> None:
    damaged = hurt(GOOD, 3)[: BLOCK_BYTES + 5_120]
    stand, found = made(damaged, Other(hurt(GOOD, BLOCK_BYTES + 5)))
    assert durable(stand) == GOOD
    assert (found.pieced, found.taken) == ([1], {0: [0, 2]})
    assert found.damage == ((3, 4), (len(damaged), len(GOOD)))


LAST = (2 * BLOCK_BYTES, len(GOOD))
"""The last block's bytes."""


@pytest.mark.parametrize(
    ("givers", "lost", "damage"),
    [
        ([], ((SECOND[0], LAST[1]),), ((SECOND[0], LAST[1]),)),
        ([Other(hurt(GOOD, BLOCK_BYTES + 5))], (SECOND,), (SECOND, (LAST[1] - 1, LAST[1]))),
    ],
)
def test_what_nobody_has_right_is_lost_and_nothing_is_left_of_the_attempt(
    givers: Sequence[Giver], lost: Ranges, damage: Ranges
) -> None:
    stand, found = made(hurt(GOOD, BLOCK_BYTES + 5, len(GOOD) - 1), *givers)
    assert left(stand) is None
    assert (found.reading, found.lost, found.damage, found.own) == (None, lost, damage, 1)


def test_a_look_writes_nothing_and_goes_through_the_blocks_it_is_asked_for() -> None:
    stand = Stand()
    good = Other(GOOD)
    found = mending(stand, hurt(GOOD, 3, BLOCK_BYTES + 5), good).survey([1, 2])
    assert (good.asked, found.own, found.taken) == ([1], 1, {0: [1]})
    assert found.damage == ((BLOCK_BYTES + 5, BLOCK_BYTES + 6),)
    assert not {call for call, _ in stand.calls} & {"create", "write_at", "open_write", "truncate"}
    assert stand.open_handles == 0


def test_a_device_that_gives_nothing_costs_only_what_no_other_copy_has() -> None:
    stand = Stand()
    stand.fail["open_read"] = (PATH, EIO)
    found = mending(stand, hurt(GOOD, 3), Other(GOOD)).make()
    assert durable(stand) == GOOD
    assert (found.own, found.damage, found.unreadable) == (0, ((0, len(GOOD)),), ((0, len(GOOD)),))
    again = Stand()
    again.fail["open_read"] = (PATH, EIO)
    with pytest.raises(ReadError):
        mending(again, GOOD, Other(GOOD)).survey([0])


def test_what_is_lost_of_a_file_that_can_not_be_opened_is_told() -> None:
    stand = Stand()
    stand.fail["open_read"] = (PATH, EIO)
    found = mending(stand, GOOD, Other(hurt(GOOD, BLOCK_BYTES + 5))).make()
    assert (found.lost, found.reading, left(stand)) == ((SECOND,), None, None)


class Refuses(Stand):
    """From the second block of the damaged file on reading is refused."""

    def read_into(self, handle: Handle, buffer: memoryview, offset: int) -> int:
        if self.paths.get(handle) == PATH and offset >= BLOCK_BYTES:
            raise broken(errno.EACCES)
        return super().read_into(handle, buffer, offset)


def test_a_block_that_can_not_be_read_is_hurt_and_nothing_else_is() -> None:
    stand = Refuses()
    found = mending(stand, GOOD, Other(GOOD)).make()
    assert durable(stand) == GOOD
    assert (found.own, found.taken, found.lost) == (1, {0: [1, 2]}, ())
    assert found.damage == ((BLOCK_BYTES, len(GOOD)),), "and no byte beyond the end"


class NoBytes(Stand):
    """Its device gives nothing of the damaged file."""

    def read_into(self, handle: Handle, buffer: memoryview, offset: int) -> int:
        if self.paths.get(handle) == PATH:
            raise EIO
        return super().read_into(handle, buffer, offset)


def test_a_file_of_which_the_device_gives_no_byte_is_mended_all_the_same() -> None:
    stand = NoBytes()
    hours = count(0, 3_600)  # each failure takes one
    slow = cold_policy("ext4", None, stopwatch=lambda: float(next(hours)))
    found = mending(stand, hurt(GOOD, 3), Other(GOOD), cold=slow).make()
    assert durable(stand) == GOOD
    assert (found.own, found.taken) == (0, {0: [0, 1, 2]})
    assert found.damage == found.unreadable == ((0, len(GOOD)),)


def test_it_is_told_how_far_it_got() -> None:
    told: list[int] = []
    mending(Stand(), GOOD, on_bytes=told.append).make()
    assert told == [BLOCK_BYTES, BLOCK_BYTES, 1_000]


@pytest.mark.parametrize(
    ("call", "number", "error"),
    [
        ("create", errno.EROFS, ReadOnlyError),
        ("reserve", errno.ENOSPC, NoSpaceError),
        ("write_at", errno.ENOSPC, NoSpaceError),
        ("write_at", errno.ENODEV, DriveGoneError),
        ("sync", errno.EIO, SyncError),
        ("close", errno.EIO, WriteError),
    ],
)
def test_what_goes_wrong_in_writing_is_one_of_our_errors(
    call: str, number: int, error: type[Exception]
) -> None:
    stand = Stand()
    work = mending(stand, hurt(GOOD, 3), Other(GOOD))
    stand.fail[call] = (TEMP, broken(number))
    with pytest.raises(error, match=PATH):
        work.make()
    assert stand.open_handles == 0
    if error is SyncError:
        assert left(stand) is None, "what is left of it is worth nothing"


def test_what_went_wrong_first_is_told_where_it_can_not_be_cut_nor_closed_either() -> None:
    stand = Stand()
    work = mending(stand, hurt(GOOD, 3), Other(GOOD))
    stand.put(TEMP, b"of an interruption")
    stand.fail["truncate"], stand.fail["close"] = (TEMP, broken(errno.EFBIG)), (TEMP, EIO)
    with pytest.raises(WriteError, match=PATH) as caught:
        work.make()
    assert "EFBIG" in str(caught.value)
    assert stand.open_handles == 0


@pytest.mark.parametrize("number", [errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL])
def test_where_no_room_can_be_reserved_it_is_written_all_the_same(number: int) -> None:
    stand = Stand()
    work = mending(stand, hurt(GOOD, 3), Other(GOOD))
    stand.fail["reserve"] = (TEMP, broken(number))
    work.make()
    assert durable(stand) == GOOD


def test_room_is_reserved_for_all_of_it_and_a_longer_left_over_is_cut() -> None:
    stand = Stand()
    stand.put(TEMP, hurt(GOOD, 3) + b"of an interruption")
    mending(stand, hurt(GOOD, 3), Other(GOOD)).make()
    assert durable(stand) == GOOD
    full = Stand(capacity=len(GOOD) + 8_192)
    work = mending(full, hurt(GOOD, 3), Other(GOOD))
    with pytest.raises(NoSpaceError):
        work.make()
    assert "write_at" not in {call for call, _ in full.calls}


def test_what_comes_back_other_than_it_was_written_takes_no_name() -> None:
    stand = Stand()
    work = mending(stand, hurt(GOOD, 3), Other(GOOD))
    stand.after["sync"] = lambda: stand.rot(TEMP, 9, b"x")
    with pytest.raises(ReadBackError):
        work.make()
    assert left(stand) is None
    assert stand.open_handles == 0


def test_a_result_that_changes_while_it_is_read_back_takes_no_name() -> None:
    stand = Stand()
    work = mending(stand, hurt(GOOD, 3), Other(GOOD))

    def touch() -> None:
        if stand.calls[-1] == ("read_into", TEMP) and ("sync", TEMP) in stand.calls:
            stand.set_times(TEMP, 99)

    stand.after["read_into"] = touch
    with pytest.raises(ReadBackError):
        work.make()
    assert left(stand) is None


def test_nothing_is_begun_on_another_drive_than_the_one_that_was_identified() -> None:
    def gone() -> None:
        raise DriveGoneError("The drive", "/main")

    stand = Stand()
    with pytest.raises(DriveGoneError):
        mending(stand, hurt(GOOD, 3), Other(GOOD), guard=gone).make()
    assert stand.calls == []
