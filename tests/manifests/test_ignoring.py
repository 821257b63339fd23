"""Ignore patterns: what they match (ASC MHL Appendix C), which may be written, what they cost."""

import time

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.cards.leaveout import mhl_ignore_patterns
from backupkeeper.manifests.ignoring import fitting, ignored_paths, is_default_ignored, usable
from tests.manifests.names_of_files import NAMES, PATHS


@pytest.mark.parametrize(
    ("pattern", "ignored", "kept"),
    [
        # The check values of STANDARDS section 1.11; a directory is seen by a file in it.
        ("doc/frotz/", ["doc/frotz/x"], ["a/doc/frotz/x", "doc/frotz"]),
        ("frotz/", ["frotz/x", "a/frotz/x"], ["frotz"]),
        ("a/**/b", ["a/b", "a/x/b", "a/x/y/b"], ["b", "x/a/b"]),
        ("abc/**", ["abc/x", "abc/x/y"], ["x/abc/y"]),
        ("**/x", ["x", "a/x", "a/b/x"], ["xx"]),
        ("/x", ["x"], ["a/x"]),
        ("x", ["x", "a/x", "x/a"], ["xa"]),
        ("*.tmp", ["a.tmp", "b/c.tmp"], ["a.tmpx"]),
        ("a*c/d", ["abc/d"], ["a/c/d"]),
        ("x?z", ["xyz"], ["x/z", "xz"]),
        ("[a-c]1", ["b1"], ["d1"]),
        ("x  ", ["x"], ["x  "]),
        ("x\\ ", ["x "], ["x"]),
        ("\\!x", ["!x"], ["x"]),
        ("\\#x", ["#x"], ["x"]),
        ("#x", [], ["#x", "x"]),
        ("", [], ["x"]),
        ("x\\", [], ["x", "x\\"]),
        ("a\nb", [], ["a\nb"]),
    ],
)
def test_a_pattern_ignores_what_gitignore_says(
    pattern: str, ignored: list[str], kept: list[str]
) -> None:
    assert ignored_paths([pattern], [*ignored, *kept]) == set(ignored)


def test_a_later_line_can_take_a_file_back() -> None:
    assert ignored_paths(["*.tmp", "!keep.tmp"], ["a.tmp", "keep.tmp"]) == {"a.tmp"}


def test_the_defaults_always_stand_first_and_former_lines_stay() -> None:
    assert fitting(["old", "new", "old"], ["clip.mov"], []) == (
        ".DS_Store",
        "ascmhl",
        "old",
        "new",
    )


@pytest.mark.parametrize(
    "pattern",
    ["clip.mov", "DCIM", "DCIM/", "/DCIM/*", "*.mov", "**/clip.mov", "EMPTY/", "[Cc]lip*"],
)
def test_a_pattern_that_matches_a_record_is_not_written(pattern: str) -> None:
    assert fitting([pattern], ["DCIM/clip.mov"], ["EMPTY"]) == (".DS_Store", "ascmhl")


@pytest.mark.parametrize("pattern", ["\x01", "  ", "a\nb", "x\\", "y" * 5000, "\udcff"])
def test_a_line_that_no_manifest_can_hold_is_not_written(pattern: str) -> None:
    assert fitting([pattern], ["clip.mov"], []) == (".DS_Store", "ascmhl")


def test_a_pattern_that_negates_or_tells_something_may_be_written() -> None:
    assert fitting(["!clip.mov", "# ours"], ["clip.mov"], [])[2:] == ("!clip.mov", "# ours")


@pytest.mark.slow
@given(
    files=st.lists(PATHS, min_size=1, max_size=5, unique=True),
    wanted=st.lists(NAMES, max_size=5),
)
@settings(max_examples=150, deadline=None)
def test_no_pattern_that_is_written_ignores_a_recorded_file(
    files: list[str], wanted: list[str]
) -> None:
    recorded = [path for path in files if not is_default_ignored(path)]
    assert ignored_paths(fitting(wanted, recorded, []), recorded) == set()


def test_what_was_left_out_of_a_card_is_ignored_and_nothing_else() -> None:
    left = [(".Trashes", "trash"), ("DCIM/Thumbs.db", "previews"), ("a [1]*", "odd ")]
    lines = fitting(mhl_ignore_patterns(left), ["DCIM/W0001.MOV", "a 11"], [])
    there = [".Trashes/1", "DCIM/Thumbs.db", "a [1]*", "Thumbs.db", "DCIM/W0001.MOV", "a 11"]
    assert ignored_paths(lines, there) == {".Trashes/1", "DCIM/Thumbs.db", "a [1]*"}


@pytest.mark.slow
def test_a_hostile_pattern_costs_little_and_ignores_nothing() -> None:
    start = time.perf_counter()
    name = "a" * 4000
    assert (
        ignored_paths(["*a*a*a*a*b", "**/a*a*a*b/**"], [name, f"{name[:2000]}/{name[:1990]}"])
        == set()
    )
    assert fitting(["*a*a*a*a*b"], [name], []) == (".DS_Store", "ascmhl")
    many = [f"{number}*" for number in range(5000)]
    assert len(ignored_paths(many, ["1", "2000"])) == 2
    assert time.perf_counter() - start < 60


def test_a_thousand_left_out_names_among_ten_thousand_files_take_no_time() -> None:
    start = time.perf_counter()
    lines = [f"/DCIM/{number}/Thumbs.db" for number in range(1000)]
    files = [f"DCIM/{number % 1000}/{number}.jpg" for number in range(10_000)]
    assert len(fitting(lines, files, [])) == 1002
    assert time.perf_counter() - start < 30


def test_a_line_is_usable_or_it_is_not() -> None:
    assert usable("*.tmp")
    assert not usable("*\\")
    assert not usable("x" * 5000)
