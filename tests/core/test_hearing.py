"""When the daemon looks for what other machines left, what of it is news, and what it tells."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from backupkeeper.core.deeds import Deed, DeedKind, Hours, Running
from backupkeeper.core.hearing import MOST_REFUSED, Heard, heard_from, is_news, refusals, unheard
from backupkeeper.core.matters import Patience, matters
from backupkeeper.core.model import Blake3, Event, EventKind, PlaceId, Standing
from backupkeeper.core.planner import plan
from backupkeeper.core.snapshots import SnapshotName
from tests.core.made_up_copies import MAIN, NOW, PLACES, TRAVEL, VAULT
from tests.core.made_up_views import SECOND, THIRD, card, drive, view

PAUSE = timedelta(minutes=30)
MINE, THEIRS = "a" * 32, "b" * 32


def begun(**changes: Any) -> list[str]:
    return [f"{one.kind} {one.place}" for one in plan(view(**changes)).start]


def name(minute: int = 0, catalog: str = THEIRS) -> SnapshotName:
    return SnapshotName(
        taken_at=NOW + timedelta(minutes=minute), catalog=catalog, blake3=Blake3("c" * 64)
    )


def test_before_anything_is_copied_or_sent_it_is_heard_whether_another_did_it() -> None:
    assert begun(unheard=(VAULT,), needs=(THIRD,)) == [f"hear {VAULT}"]
    assert begun(unheard=(TRAVEL,), needs=(SECOND,)) == [f"hear {TRAVEL}"]
    assert begun(needs=(THIRD,)) == [f"upload {VAULT}"]


def test_one_place_at_a_time() -> None:
    assert begun(unheard=(MAIN, TRAVEL, VAULT)) == [f"hear {MAIN}"]
    under_way = Running(deed=Deed(kind=DeedKind.HEAR, why="", place=MAIN), since=NOW)
    assert begun(unheard=(MAIN, TRAVEL), running=(under_way,)) == []
    assert begun(unheard=(VAULT, TRAVEL)) == [f"hear {TRAVEL}"]  # a bucket may be busy for days


def test_one_that_nobody_uses() -> None:
    (upload,) = plan(view(needs=(THIRD,))).start
    assert (upload.place, upload.source) == (VAULT, MAIN)
    sending = Running(deed=upload, since=NOW)
    assert begun(unheard=(MAIN, VAULT), running=(sending,)) == []
    assert begun(unheard=(MAIN, TRAVEL), running=(sending,)) == [f"hear {TRAVEL}"]
    held = replace(sending, held=True, held_since=NOW)
    assert begun(unheard=(MAIN, VAULT), running=(held,)) == [f"hear {MAIN}"]


def test_not_where_another_program_works_where_all_is_in_doubt_or_the_line_is_closed() -> None:
    assert begun(unheard=(MAIN,), lent={MAIN: "x"}) == []
    assert begun(unheard=(MAIN,), doubted=frozenset({MAIN})) == []
    assert begun(unheard=(VAULT,), hours=Hours(may_upload=False)) == []
    assert begun(unheard=(PlaceId("gone"),)) == []
    assert begun(unheard=(VAULT,), paused=True) == []


def test_it_makes_way_for_a_card() -> None:
    under_way = Running(deed=Deed(kind=DeedKind.HEAR, why="", place=MAIN), since=NOW)
    made = plan(view(cards=(card(),), drives={MAIN: drive(MAIN)}, running=(under_way,)))
    assert made.stop == (under_way.deed.key,)


def due(**changes: Any) -> set[str]:
    values: dict[str, Any] = {
        "places": PLACES.values(),
        "drives": (MAIN,),
        "heard": {},
        "seen": {MAIN: NOW},
        "now": NOW,
        "pause": PAUSE,
    }
    return set(unheard(**{**values, **changes}))


def test_a_drive_once_each_time_it_is_plugged_in() -> None:
    assert MAIN in due()
    assert TRAVEL not in due()
    assert MAIN in due(heard={MAIN: NOW - PAUSE})
    assert MAIN not in due(heard={MAIN: NOW + timedelta(seconds=1)}, now=NOW + 99 * PAUSE)
    assert MAIN in due(heard={MAIN: NOW}, seen={})


def test_a_bucket_once_in_a_pause() -> None:
    assert VAULT in due()
    assert VAULT not in due(heard={VAULT: NOW - PAUSE / 2})
    assert VAULT in due(heard={VAULT: NOW - PAUSE})


def test_a_place_that_is_lost_is_left_alone() -> None:
    lost = [replace(place, standing=Standing.LOST) for place in PLACES.values()]
    assert due(places=lost) == set()


def test_news_is_newer_than_all_that_was_taken_over_anywhere() -> None:
    assert is_news(name(), MINE, {}, MAIN)
    assert not is_news(name(catalog=MINE), MINE, {}, MAIN)
    heard = {MAIN: Heard(), TRAVEL: Heard(taken={THEIRS: name(5).text})}
    assert not is_news(name(5), MINE, heard, MAIN)
    assert is_news(name(6), MINE, heard, MAIN)
    assert is_news(name(1, catalog="d" * 32), MINE, heard, MAIN)


def test_one_that_was_refused_is_not_read_again_there_but_others_and_its_copies_are() -> None:
    heard = {MAIN: Heard(refused={name(6).text: "why", name(3).text: "why"})}
    assert not is_news(name(6), MINE, heard, MAIN)
    assert not is_news(name(3), MINE, heard, MAIN)
    assert is_news(name(6), MINE, heard, TRAVEL)  # a copy of it may be whole
    assert is_news(name(5), MINE, heard, MAIN)  # whatever date a bad one bears


def test_what_was_refused_is_forgotten_when_a_later_one_was_taken_over() -> None:
    before = Heard(taken={MINE: "x"}, refused={name(3).text: "a", name(6).text: "b"})
    after = before.after({THEIRS: name(5).text}, {name(7).text: "c", "no name": "d"})
    assert after.taken == {MINE: "x", THEIRS: name(5).text}
    assert after.refused == {name(6).text: "b", name(7).text: "c"}


def test_a_place_full_of_bad_ones_fills_no_memory() -> None:
    many = {name(minute).text: "why" for minute in range(MOST_REFUSED + 5)}
    assert sorted(Heard().after({}, many).refused) == sorted(many)[-MOST_REFUSED:]


def test_what_is_remembered_comes_back() -> None:
    heard = Heard(taken={THEIRS: "x"}, refused={"y": "It is cut off."})
    assert heard_from(heard.detail) == heard


@pytest.mark.parametrize(
    "detail",
    ["", "{}", "[]", "1", '{"taken": 1, "refused": 1}', '{"taken": {}, "refused": [1]}'],
)
def test_what_can_not_be_read_is_nothing(detail: str) -> None:
    assert heard_from(detail) == Heard()


def test_a_refusal_is_told_once_with_the_reason() -> None:
    heard = Heard(refused={name(2).text: "It is cut off.", name(1).text: "Another.", "y": "None."})
    event = Event(at=NOW, kind=EventKind.HEARD, subject=MAIN, detail=heard.detail)
    seen = view(refused=refusals({MAIN: event}))
    (told,) = matters(seen, plan(seen), seen={}, patience=Patience(), commands={})
    assert told.once
    assert "It is cut off." in told.body
    assert PLACES[MAIN].name in told.subject
    gone = view(refused={(PlaceId("gone"), THEIRS): "x"})
    (told,) = matters(gone, plan(gone), seen={}, patience=Patience(), commands={})
    assert "a place" in told.subject
