"""Folders are given out once they have been left alone, and nothing is lost."""

from datetime import datetime, timedelta

from hypothesis import given, strategies as st

from backupkeeper.core.deeds import Changed
from backupkeeper.core.quiet import EVERYTHING, MOST_FOLDERS, Quiet
from tests.core.made_up_copies import MAIN, NOW, TRAVEL

SECOND = timedelta(seconds=1)


def test_a_folder_is_given_out_once_when_it_was_quiet_for_long_enough() -> None:
    quiet = Quiet(10)
    quiet.touched(MAIN, "a/clip", NOW)
    quiet.touched(MAIN, "a/other", NOW + 5 * SECOND)
    assert quiet.next_at() == NOW + 15 * SECOND
    assert quiet.ripe(NOW + 14 * SECOND) == ()
    assert quiet.ripe(NOW + 15 * SECOND) == (Changed(place=MAIN, folders=("a",)),)
    assert quiet.ripe(NOW + 99 * SECOND) == ()
    assert quiet.next_at() is None


def test_places_are_kept_apart_and_one_that_is_gone_is_forgotten() -> None:
    quiet = Quiet(1)
    quiet.touched(MAIN, "a/clip", NOW)
    quiet.touched(TRAVEL, "b/clip", NOW)
    quiet.forget(MAIN)
    quiet.forget(MAIN)
    assert quiet.ripe(NOW + SECOND) == (Changed(place=TRAVEL, folders=("b",)),)


def test_too_many_folders_are_the_whole_place() -> None:
    quiet = Quiet(1)
    for number in range(MOST_FOLDERS + 5):
        quiet.touched(MAIN, f"{number}/clip", NOW)
    assert quiet.ripe(NOW + SECOND) == (Changed(place=MAIN, folders=(EVERYTHING,)),)


def test_a_clock_that_was_set_back_keeps_nothing_for_ever() -> None:
    quiet = Quiet(10)
    quiet.touched(MAIN, "a/clip", NOW)
    assert quiet.ripe(NOW - 11 * SECOND) == (Changed(place=MAIN, folders=("a",)),)


def test_a_file_in_the_root_is_its_folder() -> None:
    quiet = Quiet(1)
    quiet.touched(MAIN, "clip", NOW)
    assert quiet.ripe(NOW + SECOND) == (Changed(place=MAIN, folders=("",)),)


touches = st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 20)), max_size=40)


@given(touches)
def test_nothing_is_given_out_early_and_nothing_is_lost(told: list[tuple[str, int]]) -> None:
    quiet, at = Quiet(10), NOW
    last: dict[str, datetime] = {}
    waiting: set[str] = set()
    for folder, seconds in told:
        at += seconds * SECOND
        for changed in quiet.ripe(at):
            for one in changed.folders:
                assert at - last[one] >= 10 * SECOND
                waiting.remove(one)
        quiet.touched(MAIN, f"{folder}/clip", at)
        last[folder] = at
        waiting.add(folder)
    given_out = {one for changed in quiet.ripe(at + 10 * SECOND) for one in changed.folders}
    assert given_out == waiting
