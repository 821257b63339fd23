"""Single plans, one line of the rules each; whole histories stand in ``test_voyages``."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.deeds import (
    Changed,
    Deed,
    DeedKind,
    Hours,
    RollNeed,
    Running,
    Setback,
    Standing,
    Strange,
    Want,
)
from backupkeeper.core.model import PlaceId, Role, RollId
from backupkeeper.core.patience import subject_of_drive
from backupkeeper.core.planner import plan
from tests.core.made_up_copies import MAIN, NOW, PLACES, TRAVEL, VAULT, mapped, place
from tests.core.made_up_views import (
    AGEING,
    BOTH,
    GB,
    NEVER,
    SECOND,
    THIRD,
    UNPROVEN,
    WRITTEN_IN_THE_CLOUD,
    card,
    drive,
    need,
    view,
    want,
)

SPARE = PlaceId("spare")
HOUR = timedelta(hours=1)


def started(**changes: Any) -> list[str]:
    """What begins, as ``kind place source``."""
    found = plan(view(**changes)).start
    return [" ".join(filter(None, (one.kind, one.place, one.source, *one.onto))) for one in found]


def whys(**changes: Any) -> list[str]:
    return [one.why for one in plan(view(**changes)).waiting]


def running(deed: Deed, **changes: Any) -> Running:
    return Running(deed=deed, since=NOW, **changes)


def the_deed(**changes: Any) -> Deed:
    (deed,) = plan(view(**changes)).start
    return deed


# -- one wish


def test_nothing_to_do_is_nothing_to_do() -> None:
    made = plan(view())
    assert (made.start, made.stop, made.hold, made.waiting) == ((), (), frozenset(), ())


def test_a_card_goes_to_every_drive_that_is_fit() -> None:
    assert started(cards=(card(),)) == ["offload main travel"]
    full = {**BOTH, TRAVEL: drive(TRAVEL, free_bytes=GB)}
    assert started(cards=(card(),), drives=full) == ["offload main"]
    locked = {**BOTH, TRAVEL: drive(TRAVEL, read_only=True)}
    assert started(cards=(card(),), drives=locked) == ["offload main"]
    assert started(cards=(card(device="device of main+x"),)) == ["offload travel"]


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"cards": (card(),), "drives": {}}, "No drive is here to copy to."),
        ({"cards": (card(shoot=None),)}, "have no date"),
        ({"cards": (card(),), "drives": {MAIN: drive(MAIN, free_bytes=0)}}, "main is full: 0 bytes"),
        ({"cards": (card(),), "drives": {MAIN: drive(MAIN, read_only=True)}}, "mounted read-only"),
        ({"cards": (card(),), "drives": {MAIN: drive(MAIN)}, "lent": {MAIN: "P"}}, "at work on main: P"),
        ({"cards": (card(),), "naming": "process 7"}, "Another program is at work: process 7."),
        ({"needs": (SECOND,), "drives": {MAIN: drive(MAIN)}}, "a secondary drive to be plugged in"),
        ({"needs": (SECOND,), "drives": {TRAVEL: drive(TRAVEL)}}, "are not here now (main)"),
        ({"needs": (need(gaps=(Role.SECONDARY,)),)}, "There is no secondary drive"),
        ({"needs": (SECOND,), "paused": True}, "You asked for a pause."),
        ({"needs": (THIRD,), "drives": {}}, "are not here now (main)"),
        ({"needs": (THIRD,), "hours": Hours(may_upload=False)}, "hours in which uploads"),
        ({"needs": (THIRD,), "busy": {"device of main": "X"}}, "You work on that drive: X"),
        ({"needs": (THIRD,), "lent": {MAIN: "P"}}, "Another program is at work there: P."),
        ({"needs": (UNPROVEN,), "hours": Hours()}, "the night's proofs"),
        ({"needs": (UNPROVEN,), "drives": {}}, "main is not here"),
        ({"needs": (need(at={MAIN: Standing(files=1, size_bytes=1, vain="read")}),)}, "can't be shown now"),
        (
            {
                "cards": (card(taken=True, folders=("260612 Boatyard/Originals/Wide/Roll 01",)),),
                "needs": (SECOND,),
                "drives": {},
            },
            "no proven second copy yet",
        ),
    ],
)  # fmt: skip
def test_what_waits_says_for_what(changes: dict[str, Any], why: str) -> None:
    made = plan(view(**changes))
    assert made.start == ()
    assert any(why in one.why for one in made.waiting), [one.why for one in made.waiting]


def test_a_card_of_no_rule_or_with_trouble_or_by_hand_is_left_alone() -> None:
    for one in (card(source=None), card(auto_offload=False), card(trouble="odd"), card(taken=True)):
        assert plan(view(cards=(one,))) == plan(view())


def test_a_card_that_was_taken_is_judged_once_its_rolls_are_proven() -> None:
    folders = ("260612 Boatyard/Originals/Wide/Roll 01",)
    assert started(cards=(card(taken=True, folders=folders),)) == ["judge"]
    judged = card(taken=True, folders=folders, judged_at=NOW, may_wipe=False)
    assert started(cards=(judged,)) == []
    assert started(cards=(card(taken=True, folders=folders),), needs=(AGEING,)) == [
        "judge",
        "prove main",
    ]


def test_who_asks_for_a_verdict_gets_one_whatever_the_card_lacks_and_in_a_pause_too() -> None:
    folders = ("260612 Boatyard/Originals/Wide/Roll 01",)
    taken = card(taken=True, folders=folders, asked=True)
    for one in (card(asked=True, auto_offload=False), card(source=None, asked=True), taken):
        assert started(cards=(one,)) == ["judge"]
        assert started(cards=(one,), paused=True) == ["judge"]
    judged = replace(taken, judged_at=NOW, may_wipe=True)
    assert started(cards=(judged,)) == ["judge"], "asked again"
    assert started(cards=(taken,), needs=(AGEING,))[:1] == ["judge"]
    new = plan(view(cards=(card(asked=True),)))
    assert [deed.kind for deed in new.start] == [DeedKind.OFFLOAD], "the copy comes first"
    assert [(one.deed.kind, one.deed.asked) for one in new.waiting] == [(DeedKind.JUDGE, True)]


def test_a_second_copy_is_read_from_the_drive_that_has_most() -> None:
    places = {**PLACES, **mapped(place(SPARE, Role.PRIMARY))}
    drives = {**BOTH, SPARE: drive(SPARE)}
    wanted = Want(files=3, size_bytes=GB, sources={MAIN: 1, SPARE: 3})
    some = need(gaps=(Role.SECONDARY,), wants={TRAVEL: wanted})
    assert started(needs=(some,), places=places, drives=drives) == ["mirror travel spare"]
    failed = {
        subject_of_drive(SPARE, "token of spare"): Setback(count=1, last_at=NOW, message="No.")
    }
    assert started(needs=(some,), places=places, drives=drives, setbacks=failed) == [
        "mirror travel main"
    ]


def test_it_goes_to_the_drive_that_holds_most_of_the_roll_or_has_most_room() -> None:
    places = {**PLACES, **mapped(place(SPARE, Role.SECONDARY))}
    drives = {**BOTH, SPARE: drive(SPARE, free_bytes=2000 * GB)}
    wants = {TRAVEL: want(MAIN), SPARE: want(MAIN)}
    some = need(gaps=(Role.SECONDARY,), wants=wants)
    assert started(needs=(some,), places=places, drives=drives) == ["mirror spare main"]
    held = replace(some, at={TRAVEL: Standing(files=5, size_bytes=GB)})
    assert started(needs=(held,), places=places, drives=drives) == ["mirror travel main"]


def test_one_copy_in_a_role_is_enough_while_it_is_made() -> None:
    places = {**PLACES, **mapped(place(SPARE, Role.SECONDARY))}
    deed = the_deed(needs=(SECOND,))
    wants = {TRAVEL: want(MAIN), SPARE: want(MAIN)}
    both = need(gaps=(Role.SECONDARY,), wants=wants)
    drives = {**BOTH, SPARE: drive(SPARE, free_bytes=9000 * GB)}
    assert started(needs=(both,), places=places, drives=drives, running=(running(deed),)) == []


def test_what_is_in_the_bucket_unproven_needs_no_drive() -> None:
    assert started(needs=(WRITTEN_IN_THE_CLOUD,), drives={}) == ["upload vault"]


def test_what_was_never_proven_is_read_at_any_hour_and_the_rest_within_the_nights_budget() -> None:
    assert started(needs=(NEVER,), hours=Hours()) == ["prove main"]
    assert the_deed(needs=(NEVER,), hours=Hours()).budget_s is None
    assert the_deed(needs=(AGEING,)).budget_s == 3600.0
    assert the_deed(needs=(UNPROVEN,)).why == "Its proof is too old."


def test_strange_folders_and_changes_are_looked_at_on_drives_that_are_here() -> None:
    strange = Strange(place=MAIN, folder="f", size_bytes=1, files=1)
    away = Strange(place=SPARE, folder="f", size_bytes=1, files=1)
    changed = (Changed(place=TRAVEL, folders=("",)), Changed(place=SPARE, folders=("",)))
    found = started(strange=(strange, away), changed=(*changed, Changed(place=MAIN, folders=())))
    assert found == ["adopt main", "look travel"]


# -- order and devices


def test_the_most_urgent_comes_first_and_one_device_does_one_thing() -> None:
    everything = {"cards": (card(),), "needs": (SECOND, THIRD, AGEING)}
    assert started(**everything) == ["offload main travel"]
    assert started(needs=(SECOND, THIRD, AGEING)) == ["mirror travel main"]
    assert started(needs=(THIRD, AGEING)) == ["prove main"]


def test_rolls_with_the_fewest_copies_come_first_then_the_newest_shoot() -> None:
    wants = {TRAVEL: want(MAIN)}
    old = need("Roll 01", "250101 Boatyard", gaps=(Role.SECONDARY,), wants=wants)
    new = need("Roll 02", gaps=(Role.SECONDARY,), wants=wants)
    poor = need("Roll 03", "240101 Boatyard", gaps=(Role.SECONDARY,), wants=wants, fewest=0)
    assert the_deed(needs=(old, new, poor)).roll == poor.roll.id
    assert the_deed(needs=(old, new)).roll == new.roll.id


def test_the_oldest_proof_is_made_again_first() -> None:
    def aged(name: str, days: int) -> RollNeed:
        at = Standing(
            files=1, size_bytes=1, ageing_files=1, oldest_proof=NOW - timedelta(days=days)
        )
        return need(name, at={MAIN: at})

    assert the_deed(needs=(aged("a", 80), aged("b", 85), aged("c", 79))).roll == RollId(
        "260612 Boatyard b"
    )


def test_disks_side_by_side_work_side_by_side() -> None:
    on_travel = need("Roll 02", at={TRAVEL: Standing(files=1, size_bytes=1, ageing_files=1)})
    assert started(needs=(AGEING, on_travel)) == ["prove main", "prove travel"]
    shared = {MAIN: drive(MAIN), TRAVEL: drive(TRAVEL, device="x+device of main")}
    assert len(started(needs=(AGEING, on_travel), drives=shared)) == 1


def test_two_cards_are_offloaded_one_after_the_other() -> None:
    two = (card(), card(token="other", device="other reader"))
    made = plan(view(cards=two))
    assert len(made.start) == 1
    assert any("begun before: offload" in one.why for one in made.waiting)


PROVING = running(the_deed(needs=(AGEING,)))
UPLOADING = running(the_deed(needs=(THIRD,)))
COPYING = running(the_deed(needs=(SECOND,)))


def test_a_card_stops_proofs_and_copies_and_holds_uploads() -> None:
    for one in (PROVING, COPYING):
        made = plan(view(cards=(card(),), running=(one,)))
        assert (made.start, made.stop) == ((), (one.deed.key,))
    made = plan(view(cards=(card(),), running=(UPLOADING,)))
    assert (made.start, made.stop) == ((), ())
    assert made.hold == {UPLOADING.deed.key}
    held = replace(UPLOADING, held=True)
    made = plan(view(cards=(card(),), running=(held,)))
    assert [one.kind for one in made.start] == [DeedKind.OFFLOAD]
    assert made.hold == {UPLOADING.deed.key}


def test_a_second_copy_stops_a_proof_but_no_other_copy() -> None:
    assert plan(view(needs=(SECOND,), running=(PROVING,))).stop == (PROVING.deed.key,)
    other = need("Roll 02", gaps=(Role.SECONDARY,), wants={TRAVEL: want(MAIN)})
    assert plan(view(needs=(other,), running=(COPYING,))).stop == ()


def test_what_is_ending_is_not_stopped_again_and_its_device_is_kept() -> None:
    ending = replace(PROVING, stopping=True)
    made = plan(view(needs=(SECOND, AGEING), running=(ending,)))
    assert (made.start, made.stop) == ((), ())


def test_a_held_upload_goes_on_once_nobody_needs_its_drive() -> None:
    held = replace(UPLOADING, held=True)
    assert plan(view(needs=(THIRD,), running=(held,))).hold == frozenset()


def test_a_held_upload_keeps_its_bucket_for_an_hour_and_no_longer() -> None:
    places = {**PLACES, **mapped(place(SPARE, Role.PRIMARY))}
    drives = {**BOTH, SPARE: drive(SPARE)}
    other = need("Roll 02", gaps=(Role.CLOUD,), wants={VAULT: want(SPARE)})

    def at(held_for: timedelta) -> tuple[str, ...]:
        held = replace(UPLOADING, held=True, held_since=NOW - held_for)
        lent = {MAIN: "process 7"}
        return plan(
            view(needs=(THIRD, other), places=places, drives=drives, running=(held,), lent=lent)
        ).stop

    assert at(HOUR / 2) == ()
    assert at(HOUR) == (UPLOADING.deed.key,)


def test_what_runs_on_a_place_that_is_lent_makes_way() -> None:
    lent = {MAIN: "process 7"}
    assert plan(view(running=(PROVING,), lent=lent)).stop == (PROVING.deed.key,)
    assert plan(view(running=(COPYING,), lent=lent)).stop == (COPYING.deed.key,)
    assert plan(view(running=(UPLOADING,), lent=lent)).hold == {UPLOADING.deed.key}
    assert plan(view(running=(UPLOADING,), lent={VAULT: "process 7"})).stop == (UPLOADING.deed.key,)


def test_a_pause_stops_proofs_holds_uploads_and_lets_copies_end() -> None:
    assert plan(view(running=(PROVING,), paused=True)).stop == (PROVING.deed.key,)
    assert plan(view(running=(UPLOADING,), paused=True)).hold == {UPLOADING.deed.key}
    assert plan(view(running=(COPYING,), paused=True)).stop == ()


def test_who_works_on_a_drive_is_not_disturbed() -> None:
    busy = {"device of main": "somebody reads it"}
    assert plan(view(running=(PROVING,), busy=busy)).stop == (PROVING.deed.key,)
    assert plan(view(running=(UPLOADING,), busy=busy)).hold == {UPLOADING.deed.key}
    assert started(needs=(AGEING, SECOND), busy=busy) == ["mirror travel main"]


def test_uploads_wait_outside_their_hours() -> None:
    made = plan(view(running=(UPLOADING,), hours=Hours(may_upload=False)))
    assert made.hold == {UPLOADING.deed.key}


# -- failures and time


def test_what_failed_is_left_alone_for_a_while_and_the_plan_says_until_when() -> None:
    failed = {"vault": Setback(count=3, last_at=NOW, message="No line.")}
    made = plan(view(needs=(THIRD,), setbacks=failed))
    assert made.start == ()
    assert made.waiting[0].why == "It failed 3 times: No line."
    assert made.wake_at == NOW + timedelta(minutes=4)
    later = view(needs=(THIRD,), setbacks=failed, now=NOW + timedelta(minutes=4))
    assert len(plan(later).start) == 1
    once = {"vault": Setback(count=1, last_at=NOW, message="No line.")}
    assert whys(needs=(THIRD,), setbacks=once) == ["It failed once: No line."]


def test_a_drive_that_failed_is_left_out_of_an_offload_and_the_plan_wakes_for_it() -> None:
    failed = {
        subject_of_drive(TRAVEL, "token of travel"): Setback(count=1, last_at=NOW, message="No.")
    }
    assert started(cards=(card(),), setbacks=failed) == ["offload main"]
    only = {TRAVEL: drive(TRAVEL)}
    made = plan(view(cards=(card(),), drives=only, setbacks=failed))
    assert made.wake_at == NOW + timedelta(minutes=1)
    assert "travel failed: No." in made.waiting[0].why
    other = {
        subject_of_drive(TRAVEL, "another mount"): Setback(count=9, last_at=NOW, message="No.")
    }
    assert started(cards=(card(),), setbacks=other) == ["offload main travel"]


def test_the_plan_wakes_when_the_hours_change() -> None:
    assert plan(view(hours=Hours(changes_at=NOW + HOUR))).wake_at == NOW + HOUR
    assert plan(view(hours=Hours(changes_at=NOW - HOUR))).wake_at is None


@given(st.permutations([SECOND, THIRD, AGEING, NEVER]), st.booleans())
def test_equal_views_give_equal_plans(needs: list[RollNeed], both: bool) -> None:
    drives = dict(reversed(BOTH.items())) if both else BOTH
    distinct = tuple(
        replace(one, roll=replace(one.roll, id=RollId(str(sorted(one.gaps) + sorted(one.at)))))
        for one in needs
    )
    ordered = tuple(sorted(distinct, key=lambda one: one.roll.id))
    one, other = plan(view(needs=distinct, drives=drives)), plan(view(needs=ordered))
    assert (one.start, one.stop, one.hold) == (other.start, other.stop, other.hold)


def test_an_upload_that_was_held_all_day_goes_on_when_its_hours_come_and_is_not_stopped() -> None:
    other = need("Roll 02", gaps=(Role.CLOUD,), wants={VAULT: want(TRAVEL)}, fewest=0)
    held = replace(UPLOADING, held=True, held_since=NOW - timedelta(hours=16))
    made = plan(view(needs=(THIRD, other), running=(held,)))
    assert (made.start, made.stop, made.hold) == ((), (), frozenset())
