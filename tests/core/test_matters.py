"""What is worth telling, how often, and in which words."""

from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.deeds import Hours, Plan, Setback, Standing, View, Waiting
from backupkeeper.core.line import METERED, WAITS_FOR_HOURS
from backupkeeper.core.matters import AGAIN_AFTER, Matter, Patience, due, matters
from backupkeeper.core.model import Event, EventKind, PlaceId, Role
from backupkeeper.core.patience import subject_of_drive, subject_of_line, subject_of_shut
from backupkeeper.core.planner import plan
from backupkeeper.core.typed import typed
from tests.core.made_up_copies import DAY, MAIN, NOW, PLACES, TRAVEL, VAULT
from tests.core.made_up_views import BOTH, SECOND, THIRD, card, drive, need, view

OFFLOAD_IT = "backupkeeper offload /media/card --shoot X --source Wide"


def told(
    made: Plan | None = None, seen: dict[PlaceId, datetime] | None = None, **changes: Any
) -> dict[str, Matter]:
    at: View = view(**changes)
    found = matters(
        at,
        made or Plan(),
        seen=seen or {MAIN: NOW, TRAVEL: NOW},
        patience=Patience(),
        commands={"card": OFFLOAD_IT},
    )
    assert len({one.id for one in found}) == len(found)
    return {one.id: one for one in found}


def the(**changes: Any) -> Matter:
    (matter,) = told(**changes).values()
    return matter


def test_where_all_is_well_nothing_is_told() -> None:
    assert told() == {}


@pytest.mark.parametrize(
    ("standing", "words"),
    [
        (Standing(files=9, size_bytes=1, damaged_files=2), "2 files are damaged of"),
        (Standing(files=9, size_bytes=1, missing_files=1), "1 file is missing of"),
        (Standing(files=9, size_bytes=1, damaged_files=1, missing_files=1), "1 file is damaged and 1 file is missing of"),
    ],
)  # fmt: skip
def test_damage_is_urgent_and_says_what_not_to_do(standing: Standing, words: str) -> None:
    bad = need(
        gaps=(Role.PRIMARY,), fewest=2, at={MAIN: standing, TRAVEL: Standing(files=1, size_bytes=1)}
    )
    matter = the(needs=(bad,))
    assert matter.urgent
    assert matter.subject == "Damage on main: 260612 Boatyard/Originals/Wide/Roll 01"
    assert words in matter.body
    assert ("nothing there is written over" in matter.body) is bool(standing.damaged_files)
    assert ("brought back from a proven copy" in matter.body) is bool(standing.missing_files)
    assert "proven in at least 2 roles" in matter.body


def test_what_is_mended_by_itself_is_said_and_not_where_it_is_not() -> None:
    sources = (frozenset({TRAVEL}),)
    standing = Standing(files=9, size_bytes=1, damaged_files=3, mendable={sources: (2, 5)})
    bad = need(fewest=1, at={MAIN: standing})
    body = the(needs=(bad,)).body
    assert "2 of them are mended by themselves" in body
    assert "The others are left as they are" in body
    assert "by themselves" not in the(needs=(bad,), auto_repair=False).body
    every = replace(bad, at={MAIN: replace(standing, damaged_files=2)})
    assert "The others" not in the(needs=(every,)).body


def test_a_drive_to_be_replaced_is_named_with_the_reasons() -> None:
    matter = the(worn={MAIN: "Sectors of 3 files could not be read."})
    assert matter.subject == "Replace the drive main"
    assert matter.body.startswith("Sectors of 3 files could not be read.")
    assert matter.urgent


def test_where_no_copy_is_proven_that_is_shouted() -> None:
    bad = need(fewest=0, at={MAIN: Standing(files=1, size_bytes=1, damaged_files=1)})
    assert "NO PROVEN COPY ANYWHERE" in the(needs=(bad,)).body
    one = replace(bad, fewest=1)
    assert "at least 1 role." in the(needs=(one,)).body


def test_a_drive_that_failed_three_times_may_be_failing() -> None:
    subject = subject_of_drive(MAIN, "token of main")
    for count, number in ((2, 0), (3, 1)):
        failed = {subject: Setback(count=count, last_at=NOW, message="EIO.")}
        assert len(told(setbacks=failed)) == number
    thrice = {subject: Setback(count=3, last_at=NOW, message="EIO.")}
    assert "main may be failing" in the(setbacks=thrice).subject
    other = {
        name: Setback(count=9, last_at=NOW, message="No.") for name in ("vault", "a|deed", "gone")
    }
    assert told(setbacks=other) == {}, "a line that is down is no drive that fails"


def test_an_upload_that_does_not_get_on_is_told_after_days_with_its_reason() -> None:
    old = replace(THIRD, roll=replace(THIRD.roll, sealed_at=NOW - 5 * DAY))
    assert told(needs=(replace(THIRD, roll=replace(THIRD.roll, sealed_at=NOW - 2 * DAY)),)) == {}
    matter = the(needs=(old,))
    assert (matter.urgent, matter.subject) == (
        True,
        "1 rolls have no third copy, the oldest for 5 days",
    )
    failed = {VAULT: Setback(count=1, last_at=NOW, message="No line.")}
    assert "The last try failed: No line." in the(needs=(old,), setbacks=failed).body
    down = {subject_of_line(VAULT): Setback(count=1, last_at=NOW, message="No line.")}
    assert "The last try failed: No line." in the(needs=(old,), setbacks=down).body
    metered = Hours(may_upload=False, no_upload=METERED)
    assert METERED in the(needs=(old,), hours=metered).body
    by_night = Hours(may_upload=False, no_upload=WAITS_FOR_HOURS)
    assert WAITS_FOR_HOURS not in the(needs=(old,), hours=by_night).body, "it is as it should be"
    without = {one.id: one for one in PLACES.values() if one.id != VAULT}
    assert "No bucket is among the places" in the(needs=(old,), places=without).body


def test_a_bucket_that_wants_a_person_is_told_at_once_with_what_to_do() -> None:
    shut = {subject_of_shut(VAULT): Setback(count=1, last_at=NOW, message="Log in again.")}
    matter = the(setbacks=shut)
    assert (matter.urgent, matter.body) == (True, "Log in again.")
    assert matter.subject.endswith("takes no uploads until you do something")


def test_a_drive_that_was_away_too_long_is_missed() -> None:
    seen = {MAIN: NOW, TRAVEL: NOW - 31 * DAY}
    matter = the(seen=seen, drives={MAIN: drive(MAIN)})
    assert (matter.urgent, matter.subject) == (False, "travel was not here for 31 days")
    assert told(seen=seen) == {}, "it is here"
    assert told(seen={TRAVEL: NOW - 29 * DAY, MAIN: NOW}, drives={MAIN: drive(MAIN)}) == {}


def test_a_card_by_hand_is_told_with_the_command() -> None:
    matter = the(cards=(card(auto_offload=False),))
    assert (matter.once, OFFLOAD_IT in matter.body) == (True, True)
    assert matter.subject == "A card is here: Wide, 9 files"
    odd = the(cards=(card(source=None, trouble="It answers to Wide and Close."),))
    assert odd.body.startswith("It answers to Wide and Close. To offload it")
    assert "To offload" not in the(cards=(card(token="other", auto_offload=False),)).body
    assert told(cards=(card(),)) == {}


def test_what_should_be_known_of_a_card_before_it_is_read_is_told() -> None:
    found = told(cards=(card(warnings=("It is mounted writable.",)),))
    assert found["card warnings|card"].body == "It is mounted writable."
    assert told(cards=(card(warnings=("It is mounted writable.",), taken=True),)) == {}


def test_a_yes_comes_with_its_cautions_and_a_no_loudly() -> None:
    yes = the(cards=(card(taken=True, may_wipe=True, judged_at=NOW, limits=()),))
    assert "this card may be wiped" in yes.subject
    for caution in ("the bytes that are on it now", "Format it in the camera", "another place"):
        assert caution in yes.body
    no = the(cards=(card(taken=True, may_wipe=False, judged_at=NOW),))
    assert (no.urgent, "do not wipe this card" in no.subject) == (True, True)
    assert "may-wipe /media/card" in no.body


@pytest.mark.parametrize("may_wipe", [True, False])
def test_a_card_whose_label_is_a_command_is_quoted_where_it_is_to_be_typed(may_wipe: bool) -> None:
    hostile = "/media/me/$(reboot); 'x"
    one = the(cards=(card(point=hostile, taken=True, may_wipe=may_wipe, judged_at=NOW),))
    assert f"backupkeeper may-wipe {typed(hostile)}" in one.body


def test_a_yes_is_told_with_what_was_not_asked_for() -> None:
    """The answer says in the same breath what is still missing (README): a message is an answer too."""
    limited = card(taken=True, may_wipe=True, judged_at=NOW, limits=("Still none in the cloud.",))
    yes = the(cards=(limited,))
    assert yes.subject == "Wide: this card may be wiped, as far as was asked for"
    assert "Still none in the cloud." in yes.body
    unknown = the(cards=(card(taken=True, may_wipe=True, judged_at=NOW),))
    assert unknown.subject == yes.subject
    assert "backupkeeper may-wipe /media/card" in unknown.body


def test_a_yes_that_does_not_hold_any_more_is_taken_back_loudly() -> None:
    matter = the(cards=(card(taken=True, withdrawn=True),))
    assert matter.urgent
    assert "do NOT wipe this card any more" in matter.subject


def test_a_full_drive_is_told_once_however_much_waits_for_it() -> None:
    full = {**BOTH, TRAVEL: drive(TRAVEL, free_bytes=0)}
    made = plan(view(needs=(SECOND,), drives=full))
    matter = the(made=made, needs=(SECOND,), drives=full)
    assert (matter.id, matter.urgent) == ("full|travel", True)
    more = replace(made, waiting=(*made.waiting, Waiting(deed=made.waiting[0].deed, why="x")))
    assert len(told(made=more)) == 1


# -- how often

DAILY = Matter(id="daily", subject="s", body="b")
ONCE = replace(DAILY, id="once", once=True)
URGENT = replace(DAILY, id="urgent", urgent=True)


def event(ident: str, ago: timedelta) -> dict[str, Event]:
    return {ident: Event(at=NOW - ago, kind=EventKind.TOLD, subject=ident)}


def is_due(matter: Matter, last: dict[str, Event], *, may_disturb: bool = True) -> bool:
    return bool(due([matter], last, NOW, may_disturb=may_disturb))


def test_a_matter_is_told_once_a_day_as_long_as_it_lasts() -> None:
    assert is_due(DAILY, {})
    assert not is_due(DAILY, event("daily", timedelta(hours=23)))
    assert is_due(DAILY, event("daily", AGAIN_AFTER))
    assert not is_due(ONCE, event("once", 99 * DAY))


def test_in_quiet_hours_only_what_is_urgent_is_told() -> None:
    assert not is_due(DAILY, {}, may_disturb=False)
    assert is_due(URGENT, {}, may_disturb=False)


@given(st.lists(st.integers(0, 3000), min_size=1, max_size=60))
def test_never_twice_within_a_day_whatever_the_rhythm_of_looking(minutes: list[int]) -> None:
    last: dict[str, Event] = {}
    at, tellings = NOW, []
    for span in minutes:
        at += timedelta(minutes=span)
        for matter in due([URGENT], last, at, may_disturb=True):
            tellings.append(at)
            last[matter.id] = Event(at=at, kind=EventKind.TOLD, subject=matter.id)
    assert all(b - a >= AGAIN_AFTER for a, b in pairwise(tellings))


def test_a_drive_in_doubt_is_told_with_what_to_do_and_nothing_is_said_to_be_mended() -> None:
    standing = Standing(
        files=9, size_bytes=1, damaged_files=2, mendable={(frozenset({TRAVEL}),): (2, 5)}
    )
    found = told(needs=(need(fewest=1, at={MAIN: standing}),), doubted=frozenset({MAIN}))
    doubt = found[f"doubt|{MAIN}"]
    assert doubt.urgent
    assert "another cable and port" in doubt.body
    assert not any("mended by themselves" in one.body for one in found.values())
