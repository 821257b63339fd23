"""Reading around bad sectors of a made-up disk: exact where there is time, and never for ever."""

import errno
import threading
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.ports.files import Handle
from backupkeeper.transfer.reading import buffers_of
from backupkeeper.transfer.ring import PAGE_BYTES, Buffers, new_buffer
from backupkeeper.transfer.salvage import (
    DEAD_AFTER_LIFE,
    DEAD_BUFFERS,
    GIVE_UP,
    PATIENCE_S,
    QUICK_S,
    QUICK_TRIES,
    SECTOR_BYTES,
    Patience,
    Salvage,
)
from tests.transfer.made_up_drives import broken, some
from tests.world.disk import Disk

BUFFER = 16 * PAGE_BYTES
Spans = list[tuple[int, int]]


class Failing(Disk):
    """Sectors in ``bad`` fail, each after ``slow_s``; reads keep to ``logical`` bytes.

    ``flaky`` reads fail once more before they come right; ``number`` is the error.
    """

    def __init__(self, data: bytes, bad: Spans, *, logical: int = 512, slow_s: float = 0) -> None:
        super().__init__()
        self.bad, self.logical, self.slow_s = bad, logical, slow_s
        self.time = 0.0
        self.reads: list[tuple[int, int, bool]] = []
        self.flaky = 0
        self.number = errno.EIO
        self.data = data
        handle = self.create("/C0001.bin")
        self.write_at(handle, memoryview(data), 0)
        self.sync(handle)
        self.close(handle)

    def read_into(self, handle: int, buffer: memoryview, offset: int) -> int:
        if offset % self.logical or len(buffer) % self.logical:
            raise broken(errno.EINVAL)
        end = offset + len(buffer)
        hurt = any(offset < last and end > first for first, last in self.bad)
        if self.flaky and not hurt:
            self.flaky -= 1
            hurt = True
        self.reads.append((offset, len(buffer), hurt))
        if hurt:
            self.time += self.slow_s
            buffer[: len(buffer)] = b"?" * len(buffer)  # what a device leaves behind means nothing
            raise broken(self.number)
        return super().read_into(Handle(handle), buffer, offset)

    @property
    def failures(self) -> int:
        return sum(hurt for _, _, hurt in self.reads)

    def salvage(self, *, budget_s: float = PATIENCE_S, timed: bool = True) -> Salvage:
        handle = self.open_read("/C0001.bin", direct=True)
        patience = Patience((lambda: self.time) if timed else None, budget_s=budget_s)
        return Salvage(self, handle, len(self.data), patience=patience)


def whole(disk: Failing, salvage: Salvage, buffer_bytes: int = BUFFER) -> bytes:
    buffers = Buffers(buffer_bytes)
    size = len(disk.data)
    views = buffers_of("/C0001.bin", salvage.read, size, buffers, salvage.stop)
    return b"".join(bytes(view) for view in views)


def sectors(spans: Spans, size: int, unit: int = SECTOR_BYTES) -> Spans:
    """The same ranges, widened to whole sectors, merged, cut off at the end of the file."""
    hurt = {at for first, last in spans for at in range(first // unit, -(-last // unit))}
    found: Spans = []
    for at in sorted(hurt):
        start, end = at * unit, min((at + 1) * unit, size)
        if start >= size:
            continue
        if found and found[-1][1] == start:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return found


def with_zeros(data: bytes, spans: Spans) -> bytes:
    made = bytearray(data)
    for first, last in spans:
        made[first:last] = bytes(last - first)
    return bytes(made)


SPANS = st.lists(
    st.tuples(st.integers(0, 5 * BUFFER), st.integers(1, 3 * PAGE_BYTES)).map(
        lambda one: (one[0], one[0] + one[1])
    ),
    max_size=8,
)


@settings(max_examples=60)
@given(
    size=st.integers(1, 5 * BUFFER),
    bad=SPANS,
    unit=st.sampled_from([512, 4096]),
    timed=st.booleans(),
)
def test_every_readable_sector_is_had_and_no_other_is_claimed(
    size: int, bad: Spans, unit: int, timed: bool
) -> None:
    data = some(size, 1 << 10) * (size // 1024 + 1)
    disk = Failing(data[:size], sectors(bad, 1 << 30, unit), logical=unit)
    salvage = disk.salvage(timed=timed)
    lost = sectors(bad, size, unit)
    assert whole(disk, salvage) == with_zeros(data[:size], lost)
    assert salvage.unreadable == lost
    assert salvage.untried == 0


@settings(max_examples=60)
@given(
    bad=SPANS,
    slow_s=st.sampled_from([0.01, 1.0, 30.0]),
    size=st.integers(1, 60 * BUFFER),
)
def test_short_of_time_nothing_wrong_is_given_out_and_nothing_lost_is_hidden(
    bad: Spans, slow_s: float, size: int
) -> None:
    data = (some(size, 1 << 10) * (size // 1024 + 1))[:size]
    disk = Failing(data, bad, slow_s=slow_s)
    salvage = disk.salvage(budget_s=40)
    came = whole(disk, salvage)
    assert came == with_zeros(data, salvage.unreadable)
    told = set(range(0, size, SECTOR_BYTES))
    for first, last in salvage.unreadable:
        assert 0 <= first < last <= size
        told -= set(range(first, last, SECTOR_BYTES))
    hurt = {start for first, last in sectors(bad, size) for start in range(first, last, 512)}
    assert not hurt & told
    assert all(one[1] < other[0] for one, other in pairwise(salvage.unreadable))
    assert disk.time <= 40 * GIVE_UP + 2 * slow_s


def test_a_transient_error_costs_one_more_read_and_no_byte() -> None:
    disk = Failing(some(1, 3 * BUFFER), [])
    disk.flaky = 1
    salvage = disk.salvage()
    assert whole(disk, salvage) == disk.data
    assert (salvage.unreadable, disk.failures) == ([], 1)
    assert disk.reads[0] == (0, BUFFER, True)
    assert disk.reads[1] == (0, BUFFER, False)


def test_a_slow_error_is_not_tried_the_same_way_again() -> None:
    disk = Failing(some(1, BUFFER), [(512, 1024)], slow_s=QUICK_S)
    salvage = disk.salvage()
    whole(disk, salvage)
    assert [size for _, size, hurt in disk.reads if hurt] == [BUFFER, PAGE_BYTES, SECTOR_BYTES]
    assert salvage.unreadable == [(512, 1024)]


def test_large_reads_are_repeated_a_few_times_in_all() -> None:
    disk = Failing(some(1, 9 * BUFFER), [(at * BUFFER, at * BUFFER + 1) for at in range(9)])
    salvage = disk.salvage()
    whole(disk, salvage)
    large = [offset for offset, size, _ in disk.reads if size == BUFFER and offset < len(disk.data)]
    assert len(large) == 9 + QUICK_TRIES
    assert salvage.unreadable == [(at * BUFFER, at * BUFFER + 512) for at in range(9)]


def test_what_is_likely_to_be_readable_is_read_before_the_time_is_over() -> None:
    """A scratch of seven pages, ten seconds a failure: what lies behind it is not given up for it."""
    scratch = (PAGE_BYTES, 8 * PAGE_BYTES)
    disk = Failing(some(1, BUFFER), [scratch], slow_s=10)
    salvage = disk.salvage(budget_s=60)
    whole(disk, salvage)
    assert salvage.unreadable == [scratch]
    assert disk.time <= 70


def test_when_the_time_is_over_what_fails_counts_whole_and_the_rest_is_read() -> None:
    size = 12 * BUFFER
    disk = Failing(some(1, size), [(3 * BUFFER, 3 * BUFFER + 1), (9 * BUFFER, 9 * BUFFER + 1)])
    disk.slow_s = 100
    salvage = disk.salvage(budget_s=100)
    came = whole(disk, salvage)
    # Each failure costs the whole patience; after one large read the next buffer is passed over.
    assert salvage.unreadable == [(3 * BUFFER, 5 * BUFFER), (9 * BUFFER, 11 * BUFFER)]
    assert came == with_zeros(disk.data, salvage.unreadable)
    assert salvage.untried == 2 * BUFFER


def test_steps_over_what_fails_grow_and_start_anew_after_what_is_readable() -> None:
    size = 64 * BUFFER
    disk = Failing(some(1, BUFFER) * 64, [(BUFFER, 20 * BUFFER), (50 * BUFFER, 50 * BUFFER + 1)])
    disk.slow_s = 1
    salvage = disk.salvage(budget_s=1)
    assert len(whole(disk, salvage)) == size
    tried = [offset // BUFFER for offset, length, hurt in disk.reads if hurt and length == BUFFER]
    # 2 passed over; 4 and 5 passed over; 7 to 10; 12 to 19 (steps 1, 2, 4, 8), then time is over.
    assert tried == [1, 3, 6, 11]
    assert salvage.unreadable == [(BUFFER, 64 * BUFFER)]


def test_a_device_that_never_gave_anything_is_an_error_soon() -> None:
    disk = Failing(some(1, BUFFER) * 64, [(0, 1 << 40)], slow_s=20)
    salvage = disk.salvage()
    buffer = new_buffer(BUFFER)
    for number in range(DEAD_BUFFERS - 1):
        salvage.read(buffer, 8 * number * BUFFER)
    with pytest.raises(OSError, match="Input/output"):
        salvage.read(buffer, 63 * BUFFER)
    assert disk.time <= PATIENCE_S + 20 * (DEAD_BUFFERS + 1)


def test_a_device_that_died_half_way_is_an_error_too_but_a_long_scratch_is_not() -> None:
    scratch = (2 * BUFFER, 9 * BUFFER)
    disk = Failing(some(1, BUFFER) * 20, [scratch])
    salvage = disk.salvage()
    assert whole(disk, salvage) == with_zeros(disk.data, [scratch])
    dead = Failing(some(1, BUFFER) * 64, [(2 * BUFFER, 1 << 40)])
    salvage = dead.salvage()
    buffer = new_buffer(BUFFER)
    for number in range(2 + DEAD_AFTER_LIFE - 1):
        assert salvage.read(buffer, number * BUFFER) == BUFFER
    with pytest.raises(OSError, match="Input/output"):
        salvage.read(buffer, (2 + DEAD_AFTER_LIFE - 1) * BUFFER)


def test_without_a_stopwatch_failures_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("backupkeeper.transfer.salvage.UNTIMED_FAILURES", 100)
    disk = Failing(some(1, BUFFER) * 40, [])
    disk.bad = [(at, at + 1) for at in range(0, len(disk.data), PAGE_BYTES)]
    salvage = disk.salvage(timed=False)
    came = whole(disk, salvage)
    assert came == with_zeros(disk.data, salvage.unreadable)
    assert salvage.unreadable[:2] == [(0, 512), (PAGE_BYTES, PAGE_BYTES + 512)]
    assert salvage.unreadable[-1][1] == len(disk.data)
    assert disk.failures < 110


@pytest.mark.parametrize(
    "number",
    [
        errno.EIO,
        errno.ENODATA,  # what an O_DIRECT read gets for a bad sector of a real disk
        errno.EREMOTEIO,
        errno.EILSEQ,
        errno.ETIMEDOUT,
        errno.ENOLINK,
        errno.EBADMSG,
        errno.EUCLEAN,
    ],
)
def test_whatever_the_system_calls_it_a_bad_sector_is_read_around(number: int) -> None:
    """The block layer's names for what devices answer: Linux, block/blk-core.c (``blk_errors``)."""
    disk = Failing(some(1, BUFFER), [(700, 701)])
    disk.number = number
    salvage = disk.salvage()
    assert whole(disk, salvage) == with_zeros(disk.data, [(512, 1024)])
    assert salvage.unreadable == [(512, 1024)]


def test_an_error_that_is_not_of_the_medium_leaves_as_it_is() -> None:
    for number, at in ((errno.ENODEV, 0), (errno.EACCES, 0)):
        disk = Failing(some(1, BUFFER), [(at, at + 1)])
        disk.number = number
        with pytest.raises(OSError, match=r"Errno") as caught:
            disk.salvage().read(new_buffer(BUFFER), 0)
        assert caught.value.errno == number


def test_a_device_that_goes_while_it_is_asked_for_pages_is_gone() -> None:
    disk = Failing(some(1, BUFFER), [(0, 1)])
    salvage = disk.salvage()
    reads = disk.read_into

    def gone(handle: int, buffer: memoryview, offset: int) -> int:
        if len(buffer) <= PAGE_BYTES:
            raise broken(errno.ENODEV)
        return reads(handle, buffer, offset)

    disk.read_into = gone  # type: ignore[method-assign]  # from now on
    with pytest.raises(OSError, match="No such device") as caught:
        salvage.read(new_buffer(BUFFER), 0)
    assert caught.value.errno == errno.ENODEV


def test_chosen_parts_that_are_all_bad_are_told_and_no_error() -> None:
    disk = Failing(some(1, BUFFER) * 64, [(0, 1 << 40)], slow_s=20)
    handle = disk.open_read("/C0001.bin", direct=True)
    patience = Patience(lambda: disk.time)
    salvage = Salvage(disk, handle, len(disk.data), patience=patience, chosen=True)
    buffer = new_buffer(BUFFER)
    for number in range(64):
        assert salvage.read(buffer, number * BUFFER) == BUFFER
        assert not any(buffer)
    assert salvage.unreadable == [(0, 64 * BUFFER)]
    assert disk.time <= GIVE_UP * PATIENCE_S


def test_blocks_can_be_read_in_any_order() -> None:
    disk = Failing(some(1, 4 * BUFFER), [(100, 200), (3 * BUFFER, 3 * BUFFER + 600)])
    salvage = disk.salvage()
    buffer = new_buffer(BUFFER)
    same = salvage.unreadable
    for number in (3, 0, 1, 3):
        assert salvage.read(buffer, number * BUFFER) == BUFFER
    assert salvage.unreadable == [(0, 512), (3 * BUFFER, 3 * BUFFER + 1024)]
    assert salvage.unreadable is same


@pytest.mark.parametrize("size", [BUFFER, 3 * BUFFER, 3 * BUFFER + 1])
def test_nothing_is_read_past_the_end(size: int) -> None:
    disk = Failing(some(1, size), [(size - 1, size)])
    salvage = disk.salvage()
    last = (size - 1) // 512 * 512
    assert whole(disk, salvage) == with_zeros(disk.data, [(last, size)])
    assert salvage.read(new_buffer(BUFFER), size) == 0
    assert salvage.unreadable == [(last, size)]


def test_a_reading_that_is_left_ends_soon_and_notes_nothing_more() -> None:
    """The buffer after next is in trouble while the first is worked on; then nobody wants more."""
    disk = Failing(some(1, BUFFER) * 8, [(BUFFER, 1 << 40)])
    salvage = disk.salvage()
    in_trouble, go_on = threading.Event(), threading.Event()
    reads: Callable[[int, memoryview, int], int] = disk.read_into

    def held(handle: int, buffer: memoryview, offset: int) -> int:
        if offset >= BUFFER and len(buffer) <= PAGE_BYTES:
            in_trouble.set()
            assert go_on.wait(60)
        return reads(handle, buffer, offset)

    def leave() -> None:
        salvage.stop()
        go_on.set()

    disk.read_into = held  # type: ignore[method-assign]  # from now on
    views = buffers_of("/C0001.bin", salvage.read, len(disk.data), Buffers(BUFFER), leave)
    assert bytes(next(views)) == disk.data[:BUFFER]
    assert in_trouble.wait(60)
    before = len(disk.reads)
    views.close()
    assert len(disk.reads) <= before + 2
    assert salvage.unreadable == []
    assert salvage.read(new_buffer(BUFFER), 0) == 0
