"""Folders are given out once they have been left alone, and nothing is lost."""

from datetime import datetime, timedelta

from hypothesis import given, strategies as st

from backupkeeper.core.deeds import Changed
from backupkeeper.core.model import PlaceId
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


def test_what_lies_in_the_root_is_itself_not_the_whole_place() -> None:
    """Else every new shoot's folder would have the whole drive looked at."""
    quiet = Quiet(1)
    quiet.touched(MAIN, "260612 Boatyard", NOW)
    quiet.touched(MAIN, "notes.txt", NOW)
    ripe = quiet.ripe(NOW + SECOND)
    assert ripe == (Changed(place=MAIN, folders=("260612 Boatyard", "notes.txt")),)


def test_where_nobody_knows_what_changed_the_whole_place_waits_until_nothing_in_it_changes() -> (
    None
):
    quiet = Quiet(10)
    quiet.touched(MAIN, "a/clip", NOW)
    quiet.touched(MAIN, "", NOW + SECOND)
    quiet.touched(MAIN, "a/clip", NOW + 5 * SECOND)
    assert quiet.ripe(NOW + 14 * SECOND) == ()
    assert quiet.ripe(NOW + 15 * SECOND) == (Changed(place=MAIN, folders=(EVERYTHING,)),)


def test_a_folder_that_keeps_changing_is_never_given_out_and_keeps_no_other() -> None:
    quiet = Quiet(10)
    quiet.touched(MAIN, "still/clip", NOW)
    for second in range(0, 7200, 9):
        quiet.touched(MAIN, "busy/clip", NOW + second * SECOND)
        given_out = {one for c in quiet.ripe(NOW + second * SECOND) for one in c.folders}
        assert given_out == ({"still"} if second == 18 else set())


def test_a_handed_function_says_what_a_path_stands_for() -> None:
    quiet = Quiet(1, lambda path: path.split("/")[0])
    quiet.touched(MAIN, "roll/deep/down/clip", NOW)
    assert quiet.ripe(NOW + SECOND) == (Changed(place=MAIN, folders=("roll",)),)


places = st.sampled_from([MAIN, TRAVEL])
steps = st.lists(
    st.tuples(
        st.integers(0, 20),
        st.sampled_from(["touch", "whole", "forget"]),
        places,
        st.sampled_from("abc"),
    ),
    max_size=60,
)


@given(steps)
def test_every_touch_is_covered_by_what_is_given_out_later_unless_forgotten(
    told: list[tuple[int, str, PlaceId, str]],
) -> None:
    """Against a list of all touches: each is answered once, and never within the quiet time."""
    quiet, at = Quiet(10), NOW
    open_touches: list[tuple[PlaceId, str, datetime]] = []

    def collect() -> None:
        for changed in quiet.ripe(at):
            for one in changed.folders:
                answered = [
                    touch
                    for touch in open_touches
                    if touch[0] == changed.place and one in (EVERYTHING, touch[1])
                ]
                assert answered, "given out twice"
                for touch in answered:
                    assert at - touch[2] >= 10 * SECOND
                    open_touches.remove(touch)
        due = quiet.next_at()
        assert (due is None) == (not open_touches)
        assert due is None or due > at

    for seconds, what, place, name in told:
        at += seconds * SECOND
        collect()
        if what == "forget":
            quiet.forget(place)
            open_touches = [touch for touch in open_touches if touch[0] != place]
        else:
            path = f"{name}/clip" if what == "touch" else ""
            quiet.touched(place, path, at)
            open_touches.append((place, name if what == "touch" else EVERYTHING, at))
    at += 10 * SECOND
    collect()
    assert open_touches == []


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
