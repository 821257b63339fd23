"""Files that are gone and files that nobody knows: which are worth reading, and what moved together."""

from dataclasses import replace

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import Blake3, Result, Roll, Way
from backupkeeper.core.moving import (
    MOST_TOLD,
    MOVED_AWAY,
    OTHER_LIES_THERE,
    Found,
    Gone,
    Moved,
    from_detail,
    homes_of_moved,
    is_displaced,
    is_moved_away,
    most_telling,
    same_entry,
    step,
    to_detail,
    together,
    whose,
    worth_reading,
)
from tests.core.made_up_copies import fact, roll

NAMES = st.sampled_from(["A", "B", "clip.mp4", "Clip.mp4", "Roll 01", "DCIM", "x"])
PATHS = st.lists(NAMES, min_size=1, max_size=5).map("/".join)
SIZES = st.sampled_from([0, 1, 9, 4_000])
TIMES = st.integers(min_value=-(10**18), max_value=2 * 10**18)


def gone(path: str, size: int = 9, mtime_ns: int = 10**18, content: str = "1" * 64) -> Gone:
    return Gone(path=path, content=Blake3(content), size=size, mtime_ns=mtime_ns)


def found(path: str, size: int = 9, mtime_ns: int = 10**18) -> Found:
    return Found(path=path, size=size, mtime_ns=mtime_ns)


GONE = st.builds(gone, PATHS, SIZES, TIMES)
FOUND = st.builds(found, PATHS, SIZES, TIMES)


@given(one=GONE, others=st.lists(GONE), around=st.lists(FOUND), path=PATHS, is_file=st.booleans())
def test_what_was_moved_as_it_is_is_always_worth_reading(
    one: Gone, others: list[Gone], around: list[Found], path: str, is_file: bool
) -> None:
    """A folder above it renamed keeps its name and time; a file renamed keeps its time."""
    name = one.path.rpartition("/")[2]
    renamed = is_file and one.size > 0
    there = found(path if renamed else f"{path}/{name}", one.size, one.mtime_ns)
    assert there in worth_reading([*others, one], [*around, there])


@given(one=GONE, path=PATHS, time=TIMES)
def test_what_kept_its_name_and_lost_its_time_is_worth_reading(
    one: Gone, path: str, time: int
) -> None:
    there = found(f"{path}/{one.path.rpartition('/')[2].swapcase()}", one.size, time)
    assert worth_reading([one], [there]) == [there]


@given(gone=st.lists(GONE), around=st.lists(FOUND))
def test_no_file_of_another_size_is_read_and_none_twice(
    gone: list[Gone], around: list[Found]
) -> None:
    likely = worth_reading(gone, around)
    assert {one.size for one in likely} <= {one.size for one in gone}
    assert all(likely.count(one) <= around.count(one) for one in likely)


@given(gone=st.lists(GONE), around=st.lists(FOUND, unique_by=lambda one: one.path))
def test_the_order_in_which_they_are_told_does_not_matter(
    gone: list[Gone], around: list[Found]
) -> None:
    assert worth_reading(gone, around) == worth_reading(gone[::-1], around[::-1])


def test_the_likeliest_are_read_first() -> None:
    there = [
        found("z/other.mp4"),
        found("y/clip.mp4", mtime_ns=3 * 10**17 + 5),
        found("x/clip.mp4"),
        found("w/strange.mp4", mtime_ns=3 * 10**17 + 5),
        found("v/clip.mp4", size=8),
    ]
    likely = worth_reading([gone("A/clip.mp4")], there)
    assert [one.path for one in likely] == ["x/clip.mp4", "z/other.mp4", "y/clip.mp4"]


def test_a_time_as_exfat_keeps_it_is_the_same() -> None:
    """To two seconds, and an hour off where it was read in another zone."""
    hour = 3600 * 10**9
    likely = worth_reading([gone("A/1")], [found("B/2", mtime_ns=10**18 + hour - 2 * 10**9)])
    assert len(likely) == 1
    assert worth_reading([gone("A/1")], [found("B/2", mtime_ns=10**18 + 5 * 10**9)]) == []


def test_empty_files_go_by_their_name() -> None:
    lost = [gone("A/note.txt", size=0)]
    assert worth_reading(lost, [found("B/note.txt", size=0, mtime_ns=1)]) != []
    assert worth_reading(lost, [found("B/other.txt", size=0)]) == []


def test_of_several_alike_it_is_the_one_whose_path_ends_like_its_own() -> None:
    alike = [gone("S/Roll 01/DCIM/A.XML"), gone("S/Roll 02/DCIM/A.XML")]
    assert whose(found("T/Roll 02/DCIM/A.XML"), alike) is alike[1]
    assert whose(found("T/Roll 01/DCIM/A.XML"), alike[::-1]) is alike[0]
    assert whose(found("elsewhere"), alike[::-1]) is alike[0]
    assert whose(found("A.XML"), alike) is alike[0]


def moved(was: str, now: str, **more: int) -> Moved:
    return Moved(place="Main", was=was, now=now, files=1, size_bytes=10, **more)


@given(was=PATHS, now=PATHS)
def test_a_step_takes_the_old_path_to_the_new_one(was: str, now: str) -> None:
    old, new = step(was, now)
    rest = was[len(old) :]
    assert (old + rest, new + rest) == (was, now)


@given(st.lists(st.tuples(PATHS, PATHS)), st.sets(PATHS))
def test_moves_told_together_are_all_of_them(
    pairs: list[tuple[str, str]], standing: set[str]
) -> None:
    told = together((moved(was, now, not_cold=1) for was, now in pairs), standing.__contains__)
    assert sum(one.files for one in told) == len(pairs)
    assert sum(one.size_bytes for one in told) == 10 * len(pairs)
    assert sum(one.not_cold for one in told) == len(pairs)
    for was, now in pairs:
        assert any(
            was == one.was + rest and now == one.now + rest
            for one in told
            for rest in [was[len(one.was) :]]
        )


def test_a_folder_that_still_stands_was_not_moved_but_what_was_in_it() -> None:
    both = [moved(f"S/Wide/Roll {number}/A", f"S/Close/Roll {number}/A") for number in ("01", "02")]
    (one,) = together(both)
    assert (one.was, one.now, one.files) == ("S/Wide", "S/Close", 2)
    two = together(both, {"S", "S/Wide"}.__contains__)
    assert [(one.was, one.now) for one in two] == [
        ("S/Wide/Roll 01", "S/Close/Roll 01"),
        ("S/Wide/Roll 02", "S/Close/Roll 02"),
    ]
    renamed = [moved("S/A", "S/B")]
    assert together(renamed, {"S", "S/A"}.__contains__) == (replace(renamed[0]),)


@given(moves=st.builds(moved, PATHS, PATHS))
def test_what_an_event_tells_of_a_move_is_the_move(moves: Moved) -> None:
    assert from_detail("Main", to_detail(moves)) == moves


@pytest.mark.parametrize(
    "detail",
    [
        "",
        "[]",
        "{}",
        "7",
        '{"was": 1, "now": "a", "files": 1, "bytes": 1}',
        '{"was": "a", "now": "b", "files": "1", "bytes": 1}',
        '{"was": "a", "now": "b", "files": 1, "bytes": null}',
        "[" * 100_000,
    ],
)
def test_what_can_t_be_understood_tells_of_no_move(detail: str) -> None:
    assert from_detail("Main", detail) is None


def test_only_the_largest_moves_of_a_run_are_remembered() -> None:
    many = [replace(moved(f"A{n:02}", "B"), files=n) for n in range(1, MOST_TOLD + 3)]
    kept = most_telling(many)
    assert len(kept) == MOST_TOLD
    assert min(one.files for one in kept) == 3


def test_what_stands_in_a_file_s_place_is_read_where_it_may_be_another_that_is_looked_for() -> None:
    lost = [gone("S/A.MP4"), gone("S/B.MP4", mtime_ns=10**18 + 10**10)]
    at_b = found("S/B.MP4")
    assert same_entry(lost, [found("S/A.MP4"), at_b, found("S/B.MP4", mtime_ns=1)]) == [at_b]
    assert same_entry([gone("S/A", size=0)], [found("S/B", size=0)]) == []
    assert same_entry([*lost, gone("T/A.MP4")], [found("S/A.MP4")]) == [found("S/A.MP4")]


def test_only_a_look_that_read_another_file_says_displaced() -> None:
    said = fact(Way.REHASH, 0, Result.MISSING)
    assert not is_displaced(said)
    assert is_displaced(replace(said, note=f"{OTHER_LIES_THERE}S/B.MP4"))
    assert not is_displaced(replace(said, result=Result.MATCHES, note=f"{OTHER_LIES_THERE}S/B.MP4"))


def test_what_was_moved_away_is_told_by_either_note() -> None:
    gone_away = fact(Way.LOOKED, 0, Result.MISSING)
    assert not is_moved_away(gone_away)
    assert is_moved_away(replace(gone_away, note=f"{MOVED_AWAY}not there any more"))
    assert is_moved_away(replace(gone_away, note=f"{OTHER_LIES_THERE}S/B.MP4"))
    assert not is_moved_away(replace(gone_away, result=Result.MATCHES, note=MOVED_AWAY))


def of_files(*paths: str) -> Roll:
    return roll(*((path, Blake3("1" * 64), 9) for path in paths))


def test_where_most_of_a_roll_lies_in_its_own_shape() -> None:
    made = of_files("A.MP4", "DCIM/B.MP4", "DCIM/C.MP4")
    own = made.head.folder
    assert homes_of_moved(made, [f"{own}/A.MP4", f"{own}/DCIM/B.MP4"]) == ()
    assert homes_of_moved(made, ["x/y/A.MP4", "x/y/DCIM/B.MP4", "z/DCIM/C.MP4"]) == ("x/y",)
    assert homes_of_moved(made, ["x/A.MP4", "A.MP4", "q/C.MP4"]) == ()
    assert homes_of_moved(of_files("A.MP4"), ["x/A.MP4"]) == (), "one alone is no shape"
