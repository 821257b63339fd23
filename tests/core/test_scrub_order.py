"""The order of one sweep over the files of a roll."""

from itertools import groupby

from hypothesis import given, strategies as st

from backupkeeper.core.scrub import read_order

names = st.text("ab-. ~\udc80", min_size=1, max_size=3)
paths = st.lists(names, min_size=1, max_size=3).map("/".join)
entries = st.lists(
    st.tuples(paths, st.one_of(st.none(), st.integers(0, 2**63))),
    max_size=20,
    unique_by=lambda entry: entry[0],
)


def in_order(told: list[tuple[str, int | None]]) -> list[str]:
    return [told[index][0] for index in read_order(told)]


def folder(path: str) -> str:
    return path.rpartition("/")[0]


def test_a_folder_is_read_in_one_forward_sweep() -> None:
    told: list[tuple[str, int | None]] = [
        ("CLIP/WIDE0001.MP4", 9000),
        ("CLIP/WIDE0002.MP4", 1000),
        ("CLIP/WIDE0003.MP4", 5000),
    ]
    assert in_order(told) == ["CLIP/WIDE0002.MP4", "CLIP/WIDE0003.MP4", "CLIP/WIDE0001.MP4"]


def test_folders_come_in_the_order_in_which_they_begin_on_the_disk() -> None:
    told: list[tuple[str, int | None]] = [
        ("A/1", 500),
        ("A/2", 900),
        ("B/1", 100),
        ("B/2", 950),
        ("C/1", None),
    ]
    assert in_order(told) == ["B/1", "B/2", "A/1", "A/2", "C/1"]


def test_files_without_a_position_come_last_in_their_folder_by_name() -> None:
    told: list[tuple[str, int | None]] = [
        ("A/4", None),
        ("A/3", None),
        ("A/2", 7),
        ("A/1", 8),
        ("B/1", 9),
    ]
    assert in_order(told) == ["A/2", "A/1", "A/3", "A/4", "B/1"]


def test_where_no_position_is_known_it_is_the_order_of_the_tree() -> None:
    told = [("CLIP-2/1", None), ("CLIP/SUB/1", None), ("CLIP/2", None), ("1", None)]
    assert in_order(list(told)) == ["1", "CLIP/2", "CLIP/SUB/1", "CLIP-2/1"]


def test_position_nought_is_a_position() -> None:
    assert in_order([("A/1", None), ("A/2", 0), ("B/1", 5)]) == ["A/2", "A/1", "B/1"]


def test_positions_beyond_what_floats_can_hold_are_told_apart() -> None:
    assert read_order([("A/1", 2**60 + 1), ("A/2", 2**60)]) == [1, 0]


def test_an_entry_that_is_told_twice_is_read_twice() -> None:
    assert read_order([("A/1", 3), ("A/1", 3)]) == [0, 1]
    assert read_order([]) == []


@given(entries)
def test_each_is_read_once_folder_by_folder_and_forward_within_each(
    told: list[tuple[str, int | None]],
) -> None:
    order = read_order(told)
    assert sorted(order) == list(range(len(told)))
    groups = [
        (where, list(group))
        for where, group in groupby((told[index] for index in order), lambda one: folder(one[0]))
    ]
    assert len({where for where, _ in groups}) == len(groups), "no folder is come back to"
    begins = []
    for _, group in groups:
        known = [at for _, at in group if at is not None]
        assert known == sorted(known)
        assert [at is None for _, at in group] == sorted(at is None for _, at in group)
        unknown = [path for path, at in group if at is None]
        assert unknown == sorted(unknown)
        begins.append((not known, min(known, default=0)))
    assert begins == sorted(begins)


@given(st.data(), entries)
def test_it_does_not_matter_in_which_order_they_are_told(
    data: st.DataObject, told: list[tuple[str, int | None]]
) -> None:
    assert in_order(data.draw(st.permutations(told))) == in_order(told)
