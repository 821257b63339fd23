"""Kinds of trouble told apart, held against what was done to a made-up file; drives in doubt."""

from dataclasses import dataclass

import pytest
from hypothesis import event, example, given, strategies as st

from backupkeeper.core.harm import (
    CAME_RIGHT,
    KEEPS_UTC,
    MENDABLE,
    NEVER_THE_SAME,
    ROTTEN,
    SOME_NEVER_THE_SAME,
    SUDDEN_FILES,
    SUDDEN_WITHIN,
    Found,
    Standing,
    found,
    in_doubt,
    is_in_doubt_already,
    is_same_time,
    last_harm,
    rot_found_at,
)
from backupkeeper.core.model import BLOCK_BYTES, BLOCK_DIGEST_BYTES, Fact, Result, Way
from backupkeeper.core.ranges import Ranges, common, length
from tests.core.made_up_copies import DAY, NOW, fact

SECOND = 1_000_000_000
THEN = 1_781_000_000 * SECOND + 123_456_789
"""A time with nanoseconds, of June 2026."""
WRONG = (b"w" * BLOCK_DIGEST_BYTES, b"x" * BLOCK_DIGEST_BYTES, b"y" * BLOCK_DIGEST_BYTES)
Readings = dict[int, tuple[bytes | None, ...]]


def right(block: int) -> bytes:
    return bytes([block + 1]) * BLOCK_DIGEST_BYTES


def blocks_in(size: int) -> int:
    return -(-size // BLOCK_BYTES)


def find(
    size: int,
    readings: Readings,
    *,
    there: int | None = None,
    mtime_ns: int = THEN,
    fs_type: str = "ext4",
    unreadable: Ranges = (),
) -> Found:
    standing = Standing(size=size if there is None else there, mtime_ns=mtime_ns, fs_type=fs_type)
    block_map = b"".join(map(right, range(blocks_in(size))))
    return found(block_map, size, THEN, standing, readings, unreadable)


THREE = 3 * BLOCK_BYTES
SAME = (WRONG[0],) * 3
MIDDLE = ((BLOCK_BYTES, 2 * BLOCK_BYTES),)


def test_rot_is_other_bytes_where_size_and_time_stand_as_they_were() -> None:
    assert find(THREE, {1: SAME}) == Found(result=Result.DAMAGED, damage=MIDDLE)


def test_an_edit_is_other_bytes_and_another_size_or_time() -> None:
    assert find(THREE, {1: SAME}, mtime_ns=THEN + SECOND).result is Result.CHANGED
    longer = find(THREE, {}, there=THREE + 5)
    assert longer == Found(result=Result.CHANGED, damage=((THREE, THREE + 5),))
    assert find(THREE, {1: SAME}, there=THREE + 5).damage == (*MIDDLE, (THREE, THREE + 5))


def test_another_time_alone_is_nothing() -> None:
    assert find(THREE, {}, mtime_ns=0) == Found(result=Result.MATCHES)


@pytest.mark.parametrize("place", range(3))
def test_a_block_that_came_right_once_is_right_and_the_way_to_it_is_suspect(place: int) -> None:
    read = [WRONG[0], WRONG[1], None]
    read[place] = right(1)
    assert find(THREE, {1: tuple(read)}) == Found(result=Result.MATCHES, note=CAME_RIGHT)


def test_what_was_never_the_same_is_blamed_on_nothing_yet() -> None:
    came = find(THREE, {1: WRONG})
    assert came == Found(result=Result.UNSTABLE, damage=MIDDLE, note=NEVER_THE_SAME)
    some = find(THREE, {1: WRONG, 2: SAME})
    assert (some.result, some.note) == (Result.DAMAGED, SOME_NEVER_THE_SAME)
    assert find(THREE, {1: WRONG}, mtime_ns=0).result is Result.CHANGED
    assert find(THREE, {1: (WRONG[0],)}).result is Result.DAMAGED  # read once


def test_what_the_device_will_not_give_is_unreadable_to_the_sector() -> None:
    held = ((BLOCK_BYTES + 512, BLOCK_BYTES + 1024), (2 * BLOCK_BYTES, 2 * BLOCK_BYTES + 512))
    came = find(THREE, {1: (None, None, None)}, unreadable=held)
    assert came == Found(result=Result.UNREADABLE, damage=MIDDLE, unreadable=held[:1])
    given_at_last = find(THREE, {1: (None, None, WRONG[0])}, unreadable=held)
    assert given_at_last.result is Result.DAMAGED


@pytest.mark.parametrize("left", [0, 5, BLOCK_BYTES, BLOCK_BYTES + 5, 2 * BLOCK_BYTES])
def test_what_ends_too_early_is_cut_off_where_all_that_is_left_is_right(left: int) -> None:
    short: Readings = {
        block: (right(block) if block < left // BLOCK_BYTES else WRONG[0],)
        for block in range(left // BLOCK_BYTES, 3)
    }
    came = find(THREE, short, there=left)
    whole = left // BLOCK_BYTES * BLOCK_BYTES
    assert (came.result, came.damage) == (Result.CUT_OFF, ((whole, THREE),))
    other_time = find(THREE, short, there=left, mtime_ns=0).result
    assert other_time is (Result.CUT_OFF if whole else Result.CHANGED)
    if left > BLOCK_BYTES:
        assert find(THREE, {0: SAME, **short}, there=left).result is Result.CHANGED


def test_a_short_block_is_never_right_whatever_it_hashes_to() -> None:
    assert find(THREE, {2: (right(2),)}, there=THREE - 1).result is Result.CUT_OFF


def test_what_is_short_begins_with_the_first_block_that_is_not_all_there() -> None:
    came_right = (WRONG[0], right(0))
    half, whole = BLOCK_BYTES // 2, BLOCK_BYTES
    assert find(THREE, {0: came_right}, there=half).damage == ((0, THREE),)
    assert find(THREE, {0: came_right}, there=whole).damage == ((BLOCK_BYTES, THREE),)
    # Hurt before its end too, it is somebody's work and not the drive's.
    ends_early = find(THREE, {1: SAME, 2: SAME}, there=2 * BLOCK_BYTES)
    assert ends_early.result is Result.CHANGED


def test_two_readings_are_enough_to_differ() -> None:
    came = find(THREE, {1: WRONG[:2]})
    assert came == Found(result=Result.UNSTABLE, damage=MIDDLE, note=NEVER_THE_SAME)


def test_a_file_that_should_be_empty_matches_or_is_too_long() -> None:
    assert find(0, {}).result is Result.MATCHES
    assert find(0, {0: (WRONG[0],)}, there=9) == Found(result=Result.CHANGED, damage=((0, 9),))


# -- times


@pytest.mark.parametrize(
    ("fs_type", "apart_ns", "same"),
    [
        ("ext4", 0, True),
        ("ext4", -(THEN % SECOND), True),  # small inodes keep whole seconds
        ("ext4", 1, False),
        ("ext4", 3600 * SECOND, False),
        ("exfat", 3600 * SECOND, True),  # another zone
        ("exfat", 2 * SECOND, True),
        ("exfat", 60 * SECOND, False),
        ("fuseblk", 0, True),
    ],
)
def test_times_compare_as_their_file_system_keeps_them(
    fs_type: str, apart_ns: int, same: bool
) -> None:
    there = Standing(size=1, mtime_ns=THEN + apart_ns, fs_type=fs_type)
    assert is_same_time(there, THEN) is same


# -- an independent model: what was done to a file, and what must be said of it


@dataclass(frozen=True)
class Done:
    size: int
    there: int
    mtime_ns: int
    readings: Readings
    hurt: frozenset[int]
    lost: bool


digests = st.sampled_from([*WRONG, None])


@st.composite
def histories(draw: st.DrawFn) -> Done:
    size = draw(st.sampled_from([0, 1, BLOCK_BYTES, BLOCK_BYTES + 7, THREE, THREE + 1]))
    there = draw(st.sampled_from([size, size, size, size + 1, 0, size // 2]) | st.integers(0, size))
    mtime_ns = draw(st.sampled_from([THEN, THEN, THEN // SECOND * SECOND, THEN + SECOND]))
    readings: Readings = {}
    hurt, lost = set(), False
    for block in range(blocks_in(max(size, there))):
        is_whole = there >= min((block + 1) * BLOCK_BYTES, size) and block < blocks_in(size)
        if is_whole and draw(st.booleans()):
            continue  # right at first: not among them
        read = list(draw(st.lists(digests, min_size=1, max_size=3)))
        came_right = is_whole and draw(st.booleans())
        if came_right:
            read[draw(st.integers(0, len(read) - 1))] = right(block)
        readings[block] = tuple(read)
        if not came_right:
            hurt.add(block)
            lost = lost or read[-1] is None
    return Done(size, there, mtime_ns, readings, frozenset(hurt), lost)


@given(histories())
@example(Done(BLOCK_BYTES, BLOCK_BYTES, THEN, {0: WRONG}, frozenset({0}), lost=False))
@example(Done(BLOCK_BYTES, BLOCK_BYTES, THEN, {0: SAME}, frozenset({0}), lost=False))
def test_what_is_said_follows_from_what_was_done(done: Done) -> None:
    every = ((0, max(done.size, done.there)),)
    came = find(
        done.size,
        done.readings,
        there=done.there,
        mtime_ns=done.mtime_ns,
        unreadable=every if done.lost else (),
    )
    event(came.result)
    same_time = done.mtime_ns in {THEN, THEN // SECOND * SECOND}
    is_as_it_was = done.there == done.size and same_time
    is_right = not done.hurt and done.there == done.size
    assert (came.result is Result.MATCHES) is is_right
    assert (came.result is Result.UNREADABLE) is done.lost
    assert (came.result is Result.MATCHES) is (came.damage == ())
    if came.result in {Result.DAMAGED, Result.UNSTABLE}:
        assert is_as_it_was
    if came.result is Result.CHANGED:
        assert not is_as_it_was
    if came.result is Result.CUT_OFF:
        assert done.there < done.size
        assert all((block + 1) * BLOCK_BYTES > done.there for block in done.hurt)
    if came.result is Result.UNSTABLE:
        assert all(len(set(done.readings[one])) == len(done.readings[one]) > 1 for one in done.hurt)
    if done.there <= done.size:
        assert {at // BLOCK_BYTES for at, _ in came.damage} <= done.hurt
    assert came.unreadable == common(came.unreadable, came.damage)
    told = length(came.damage)
    assert told == length(common(came.damage, every))
    wanted = [
        (block * BLOCK_BYTES, min((block + 1) * BLOCK_BYTES, every[0][1])) for block in done.hurt
    ]
    assert all(common((one,), came.damage) == (one,) for one in wanted)


# -- drives in doubt


def read(n: int, result: Result, hours_ago: float = 1, way: Way = Way.REHASH) -> Fact:
    return fact(way, hours_ago / 24, result, path=f"CLIP{n:04}.MP4")


def bad(count: int, hours_ago: float = 1) -> list[Fact]:
    return [read(n, Result.DAMAGED, hours_ago) for n in range(count)]


def test_a_drive_is_in_doubt_where_half_of_at_least_five_copies_are_bad() -> None:
    fine = [read(n, Result.MATCHES) for n in range(100, 105)]
    assert in_doubt(bad(5), NOW).startswith("5 of 5 copies read there lately were bad.")
    assert in_doubt([*bad(5), *fine], NOW).startswith("5 of 10 ")
    assert in_doubt([*bad(5), *fine, read(200, Result.MATCHES)], NOW) == ""
    assert in_doubt(bad(4), NOW) == ""
    assert in_doubt([], NOW) == ""


@pytest.mark.parametrize("result", list(Result))
def test_only_what_a_drive_does_by_itself_puts_it_in_doubt(result: Result) -> None:
    facts = [read(n, result) for n in range(5)]
    assert bool(in_doubt(facts, NOW)) is (result in ROTTEN)


def test_looks_writing_and_old_readings_tell_nothing_of_a_drive() -> None:
    assert in_doubt(bad(5, hours_ago=24.01), NOW) == ""
    assert in_doubt(bad(5, hours_ago=24), NOW) != ""
    for way in (Way.LOOKED, Way.WRITTEN, Way.PART, Way.READBACK):
        assert in_doubt([read(n, Result.DAMAGED, way=way) for n in range(5)], NOW) == ""
    back = [read(n, Result.MATCHES, way=Way.READBACK) for n in range(9, 20)]
    assert in_doubt([*bad(5), *back], NOW) != "", "written and read back: no word of the others"
    mended = [read(n, Result.MATCHES, 0.5, Way.READBACK) for n in range(3)]
    assert in_doubt([*bad(5), *mended], NOW) == "", "what was mended since is bad no more"


def test_of_each_copy_the_newest_reading_counts_in_whatever_order_it_comes() -> None:
    again = [read(n, Result.MATCHES, 0.5) for n in range(3)]
    for facts in ([*bad(6), *again], [*again, *bad(6)]):
        assert in_doubt(facts, NOW) == ""
    assert in_doubt([*bad(6), *bad(6, 0.5)], NOW).startswith("6 of 6 ")


def test_what_a_wrong_clock_dated_far_ahead_leaves_no_drive_in_doubt_for_years() -> None:
    assert in_doubt(bad(5, hours_ago=-400 * 24), NOW) == ""
    assert in_doubt(bad(5, hours_ago=-1), NOW) != ""  # set back by an hour: it was just now
    assert in_doubt(bad(5, hours_ago=-24), NOW) != ""
    assert in_doubt(bad(5, hours_ago=-24.01), NOW) == ""
    fine = [read(n, Result.MATCHES) for n in range(5)]
    assert in_doubt([*bad(5, hours_ago=-400 * 24), *fine], NOW) == ""


def test_no_night_passes_over_a_doubt_but_right_readings_do() -> None:
    old = bad(5, hours_ago=240)
    assert in_doubt(old, NOW) == ""
    assert last_harm(old, NOW) == old[0].at
    assert in_doubt(old, NOW, last_harm(old, NOW)) != ""
    since = [*old, *[read(n, Result.MATCHES) for n in range(3)]]
    assert in_doubt(since, NOW, last_harm(since, NOW)) == ""
    assert last_harm([read(1, Result.MATCHES), *bad(1, hours_ago=-400 * 24)], NOW) is None
    ahead = bad(1, hours_ago=-24)
    assert last_harm(ahead, NOW) == ahead[0].at, "a clock may run ahead by a day"


def hurt(days: float, *blocks: int) -> Fact:
    damage = tuple((n * BLOCK_BYTES, (n + 1) * BLOCK_BYTES) for n in blocks)
    return fact(Way.REHASH, days, Result.DAMAGED, damage=damage)


@pytest.mark.parametrize(
    ("told", "days"),
    [
        ([], None),
        ([hurt(9, 0)], 9),
        ([hurt(0, 0)], 0),
        ([hurt(9, 0), hurt(8, 0)], 9),
        ([hurt(9, 0), hurt(8, 0, 1)], 8),
        ([hurt(9, 0), hurt(8, 1), hurt(7, 0, 1)], 8),
        # Where it is not said what is hurt, all of it is.
        ([hurt(9), hurt(8, 0)], 9),
        ([hurt(9, 0), hurt(8)], 8),
        # What was right in between is hurt anew; what is dated after now hides nothing.
        ([hurt(9, 0), fact(Way.REHASH, 8), hurt(7, 0)], 7),
        ([hurt(9, 0), hurt(-1, 1)], 9),
        ([hurt(9, 0), fact(Way.REHASH, 8, Result.CHANGED)], 9),
        ([fact(Way.REHASH, 8, Result.CHANGED), fact(Way.LOOKED, 7)], None),
    ],
)
def test_rot_is_news_only_where_further_blocks_are_hurt(
    told: list[Fact], days: float | None
) -> None:
    assert rot_found_at(told, NOW) == (None if days is None else NOW - days * DAY)


facts = st.lists(
    st.builds(
        read,
        st.integers(0, 9),
        st.sampled_from([Result.MATCHES, *[Result.DAMAGED] * 3, *Result]),
        st.sampled_from([0, 1, 2, 23, 25]),
        st.sampled_from([Way.REHASH, Way.REHASH, *Way]),
    ),
    max_size=30,
    unique_by=lambda one: (one.path, one.at),
)


@given(facts, st.randoms(use_true_random=False))
def test_the_order_of_readings_never_matters(told: list[Fact], chance: object) -> None:
    shuffled = list(told)
    chance.shuffle(shuffled)  # type: ignore[attr-defined] # a random.Random, which is banned by name
    assert in_doubt(shuffled, NOW) == in_doubt(told, NOW)
    newest: dict[str, Fact] = {}
    for one in sorted(told, key=lambda one: one.at):
        if one.at >= NOW - SUDDEN_WITHIN and (one.way is Way.REHASH or (
            one.way is Way.READBACK and one.result is Result.MATCHES
        )):  # fmt: skip
            newest[one.path] = one
    ill = [one for one in newest.values() if one.result in ROTTEN]
    assert bool(in_doubt(told, NOW)) is (len(ill) >= 5 and 2 * len(ill) >= len(newest))


@given(st.lists(st.sampled_from(Result), max_size=20))
def test_a_reading_under_way_stops_at_the_same_bound(results: list[Result]) -> None:
    told = [read(n, result) for n, result in enumerate(results)]
    assert is_in_doubt_already(results) is bool(in_doubt(told, NOW))


def test_a_reading_under_way_stops_with_the_fifth_bad_copy_of_ten_and_not_before() -> None:
    five = [Result.DAMAGED] * 5
    assert is_in_doubt_already(five)
    assert is_in_doubt_already([*[Result.MATCHES] * 5, *five])
    assert not is_in_doubt_already([*[Result.MATCHES] * 6, *five])
    assert not is_in_doubt_already(five[1:])


def test_unstable_is_rot_and_is_not_mended_and_edits_are_neither() -> None:
    assert {Result.UNSTABLE} == ROTTEN - MENDABLE
    assert not {Result.CHANGED, Result.MISSING, Result.MATCHES} & ROTTEN
    assert (SUDDEN_FILES, SUDDEN_WITHIN) == (5, DAY)
    assert "exfat" not in KEEPS_UTC
