"""When the daemon makes posters: in the order of urgency, and what makes way for what."""

from dataclasses import replace
from typing import Any

import pytest

from backupkeeper.core.deeds import Deed, DeedKind, Pictureless, Running
from backupkeeper.core.planner import plan
from tests.core.made_up_copies import MAIN, NOW, TRAVEL
from tests.core.made_up_views import AGEING, BOTH, SECOND, THIRD, UNPROVEN, card, drive, view

FOLDER = "260612 Boatyard/Originals/Wide/Roll 01"
ROLL = Pictureless(folder=FOLDER, places=(MAIN, TRAVEL))
OTHER = Pictureless(folder=f"{FOLDER[:-1]}2", places=(MAIN,))


def kinds(**changes: Any) -> list[str]:
    """What begins, as ``kind place``."""
    return [f"{one.kind} {one.place}" for one in plan(view(**changes)).start]


def the_deed(**changes: Any) -> Deed:
    (deed,) = plan(view(**changes)).start
    return deed


MAKING = Running(deed=the_deed(pictureless=(ROLL,)), since=NOW)
UPLOADING = Running(deed=the_deed(needs=(THIRD,)), since=NOW)
COPYING = Running(deed=the_deed(needs=(SECOND,)), since=NOW)


def test_a_new_roll_s_posters_are_made_from_a_drive_that_has_it() -> None:
    assert (MAKING.deed.kind, MAKING.deed.place) == (DeedKind.POSTERS, MAIN)
    assert MAKING.deed.folder == FOLDER
    assert kinds(pictureless=(ROLL,), drives={TRAVEL: drive(TRAVEL)}) == ["posters travel"]
    assert kinds(pictureless=(ROLL,), drives={}) == []
    assert plan(view(pictureless=(ROLL,), drives={})).waiting == ()
    assert kinds(pictureless=(replace(ROLL, places=()),)) == []


def test_one_roll_of_a_drive_after_the_other() -> None:
    made = plan(view(pictureless=(OTHER, replace(ROLL, places=(MAIN,)))))
    assert [one.folder for one in made.start] == [FOLDER]
    assert made.wake_at is None


def test_an_idle_drive_is_taken_before_one_that_is_used() -> None:
    upload = Running(deed=UPLOADING.deed, since=NOW)  # from the main drive
    assert upload.deed.source == MAIN
    assert kinds(pictureless=(ROLL,), running=(upload,)) == ["posters travel"]


def test_all_that_is_more_urgent_comes_first() -> None:
    begun = kinds(pictureless=(OTHER,), cards=(card(),), needs=(UNPROVEN,))
    assert not [one for one in begun if one.startswith("posters")]
    assert kinds(pictureless=(OTHER,), needs=(AGEING,)) == ["prove main"]
    assert kinds(pictureless=(OTHER,), needs=(SECOND,)) == ["mirror travel"]


def test_an_upload_waits_for_posters_that_take_seconds() -> None:
    only = {MAIN: BOTH[MAIN]}
    assert kinds(pictureless=(ROLL,), needs=(THIRD,), drives=only) == ["posters main"]
    made = plan(view(pictureless=(ROLL,), running=(UPLOADING,), drives=only))
    assert (made.start, made.stop) == ((), ())
    assert made.hold == {UPLOADING.deed.key}
    held = replace(UPLOADING, held=True)
    assert kinds(pictureless=(ROLL,), running=(held,), drives=only) == ["posters main"]
    going_on = plan(view(needs=(THIRD,), running=(MAKING, held), drives=only))
    assert going_on.hold == {held.deed.key}
    assert going_on.stop == ()


@pytest.mark.parametrize(
    "changes",
    [
        {"cards": (card(),)},
        {"needs": (SECOND,)},
        {"needs": (AGEING,)},
        {"lent": {MAIN: "process 7"}},
        {"paused": True},
        {"busy": {"device of main": "somebody reads it"}},
    ],
    ids=["card", "copy", "proof", "command", "pause", "person"],
)
def test_posters_under_way_make_way(changes: dict[str, Any]) -> None:
    assert plan(view(running=(MAKING,), **changes)).stop == (MAKING.deed.key,)


@pytest.mark.parametrize("changes", [{"pictureless": (OTHER,)}, {"needs": (THIRD,)}])
def test_they_make_no_way_for_an_upload_or_each_other(changes: dict[str, Any]) -> None:
    made = plan(view(running=(MAKING,), drives={MAIN: BOTH[MAIN]}, **changes))
    assert (made.start, made.stop) == ((), ())


@pytest.mark.parametrize(
    "changes",
    [
        {"lent": {MAIN: "process 7", TRAVEL: "process 8"}},
        {"paused": True},
        {"doubted": frozenset({MAIN})},
        {"busy": {"device of main": "somebody reads it"}},
    ],
    ids=["commands", "pause", "doubt", "person"],
)
def test_they_do_not_begin_where_they_would_be_in_the_way(changes: dict[str, Any]) -> None:
    assert kinds(pictureless=(OTHER,), **changes) == []


def test_what_is_copied_now_is_not_stopped_for_them() -> None:
    made = plan(view(pictureless=(OTHER,), running=(COPYING,)))
    assert (made.start, made.stop, made.hold) == ((), (), frozenset())
