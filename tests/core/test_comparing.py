"""Two trees held against each other: named cases, then what must hold of any two trees."""

from collections import Counter

from hypothesis import given, strategies as st

from backupkeeper.core.comparing import Compared, Pair, Seen, Side, compare
from backupkeeper.core.model import Blake3

SIDES = (Side(name="Main", root="/m"), Side(name="Travel", root="/t"))


def seen(path: str, content: str | None = "a", size: int = 5) -> Seen:
    return Seen(path=path, size=size, content=None if content is None else Blake3(content))


def found(one: list[Seen], two: list[Seen]) -> Compared:
    return compare(SIDES, one, two)


def test_two_empty_trees_are_the_same() -> None:
    assert found([], []) == Compared(sides=SIDES, is_read=False)
    assert found([], []).is_same


def test_same_name_and_content() -> None:
    told = found([seen("x"), seen("y", "b", 7)], [seen("y", "b", 7), seen("x")])
    assert told.is_same
    assert told.same == (2, 12)


def test_what_is_not_known_is_never_called_the_same() -> None:
    for one, two in [(None, None), ("a", None), (None, "a")]:
        told = found([seen("x", one)], [seen("x", two)])
        assert not told.is_same
        assert (told.same, len(told.unknown), told.other) == ((0, 0), 1, ())


def test_another_size_is_another_content_whatever_is_known() -> None:
    told = found([seen("x", None)], [seen("x", None, 6)])
    assert (len(told.other), told.unknown) == (1, ())


def test_other_content_under_one_name() -> None:
    assert found([seen("x")], [seen("x", "b")]).other == (Pair(one=seen("x"), two=seen("x", "b")),)


def test_the_same_content_under_other_names_is_paired_each_once() -> None:
    told = found([seen("a1"), seen("a2")], [seen("b1"), seen("b2")])
    assert [(pair.one.path, pair.two.path) for pair in told.moved] == [("a1", "b1"), ("a2", "b2")]
    assert told.only == ((), ())


def test_one_more_of_the_same_content_is_told_beside_what_has_it() -> None:
    more_here = found([seen("a"), seen("b")], [seen("a")])
    assert [(pair.one.path, pair.two.path) for pair in more_here.moved] == [("b", "a")]
    more_there = found([seen("a")], [seen("a"), seen("b")])
    assert [(pair.one.path, pair.two.path) for pair in more_there.moved] == [("a", "b")]
    assert not more_here.is_same
    assert not more_there.is_same


def test_only_here_and_only_there() -> None:
    told = found([seen("a"), seen("u", None)], [seen("b", "b"), seen("v", None)])
    assert [[file.path for file in files] for files in told.only] == [["a", "u"], ["b", "v"]]


trees = st.dictionaries(
    st.sampled_from(["p", "q", "r", "s", "t"]),
    st.tuples(st.sampled_from(["a", "b", None]), st.integers(1, 2)),
).map(lambda files: [seen(path, *values) for path, values in files.items()])


@given(trees, trees)
def test_every_file_is_told_and_nothing_unknown_is_the_same(
    one: list[Seen], two: list[Seen]
) -> None:
    told = found(one, two)
    pairs = [*told.other, *told.unknown, *told.moved]
    first = Counter(pair.one.path for pair in pairs) + Counter(f.path for f in told.only[0])
    second = Counter(pair.two.path for pair in pairs) + Counter(f.path for f in told.only[1])
    mine, theirs = ({file.path: file for file in side} for side in (one, two))
    same = {
        path for path, file in mine.items() if file.content is not None and theirs.get(path) == file
    }
    assert told.same[0] == len(same)
    assert set(first) | same == set(mine)
    assert set(second) | same == set(theirs)
    assert told.is_same == (mine == theirs and len(same) == len(mine))
    turned = found(two, one)
    assert (told.same, told.is_same) == (turned.same, turned.is_same)
    assert told.only == turned.only[::-1]
