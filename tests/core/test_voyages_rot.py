"""Rot in made-up histories: it is found and mended, and the laws notice planners that do it wrong."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest

from backupkeeper.core import needs, wishes
from backupkeeper.core.deeds import DeedKind, Hours, Plan, View
from backupkeeper.core.model import BLOCK_BYTES, PlaceId, Result
from backupkeeper.core.planner import plan
from tests.core.test_voyages import A_PASS, calm, live
from tests.core.voyage import Voyage
from tests.core.voyage_mend_laws import all_is_well
from tests.core.voyage_rot import BAD, Stood, copies_standing, go_bad, spoil

DAY = timedelta(days=1)


def a_yard(planner: Callable[[View], Plan] = plan, seed: int = 1) -> Voyage:
    """All is copied and proven."""
    voyage = Voyage(seed, planner=planner)
    for name in ("Main", "Travel"):
        voyage.plug(name)
    for _ in range(2):
        voyage.insert_card(3)
    voyage.run(6 * DAY)
    assert voyage.gaps() == []
    return voyage


def copies(voyage: Voyage, number: int = 0) -> dict[str, Stood]:
    """Those of one file, by place."""
    roll = next(iter(voyage.rolls.values()))
    file = roll.files[number]
    return {one.place: one for one in copies_standing(voyage, roll) if one.file == file}


def block(number: int, count: int = 1) -> tuple[tuple[int, int], ...]:
    return ((number * BLOCK_BYTES, (number + count) * BLOCK_BYTES),)


# -- what is wanted


def test_what_rots_is_found_and_mended_within_a_pass() -> None:
    voyage = a_yard()
    for number, result in enumerate([Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE]):
        go_bad(voyage, copies(voyage, number)["Main"], result, block(number))
    voyage.run(A_PASS * DAY)
    assert voyage.rot == {}
    assert len(voyage.found) == 3
    all_is_well(voyage)


def test_three_copies_hurt_in_different_blocks_make_each_other_whole() -> None:
    voyage = a_yard()
    for number, place in enumerate(["Main", "Travel", "Vault"]):
        go_bad(voyage, copies(voyage)[place], Result.DAMAGED, block(number))
    voyage.run(A_PASS * DAY)
    assert {place for place, _ in voyage.rot} == {"Vault"}
    assert {one.last.result for one in copies(voyage).values()} <= {Result.MATCHES, Result.DAMAGED}
    all_is_well(voyage)


def test_a_block_that_nobody_has_right_is_left_and_known() -> None:
    voyage = a_yard()
    for place in ("Main", "Travel", "Vault"):
        go_bad(voyage, copies(voyage)[place], Result.DAMAGED, block(2))
    before = dict(voyage.rot)
    voyage.run(A_PASS * DAY)
    assert voyage.rot == before
    assert copies(voyage)["Main"].last.result in BAD
    assert copies(voyage)["Travel"].last.result in BAD
    all_is_well(voyage)


def test_nothing_is_mended_where_nobody_wants_that() -> None:
    voyage = a_yard()
    voyage.auto_repair = False
    go_bad(voyage, copies(voyage)["Main"], Result.DAMAGED, block(0))
    voyage.run(A_PASS * DAY)
    assert len(voyage.rot) == 1
    assert voyage.laws.begun[DeedKind.REPAIR] == 0


# -- what must be noticed


def _never_mends(view: View) -> Plan:
    made = plan(view)
    return replace(made, start=tuple(one for one in made.start if one.kind != "repair"))


def _asks_nobody(view: View) -> Plan:
    made = plan(view)
    return replace(
        made,
        start=tuple(
            replace(one, sources=()) if one.kind == "repair" else one for one in made.start
        ),
    )


def _forgets_vain_repairs(view: View) -> Plan:
    return plan(
        replace(view, setbacks={k: v for k, v in view.setbacks.items() if k[:6] != "repair"})
    )


def _mends_unasked(view: View) -> Plan:
    return plan(replace(view, auto_repair=True))


def _never_reads(view: View) -> Plan:
    made = plan(view)
    return replace(made, start=tuple(one for one in made.start if one.kind != "prove"))


# Histories in which each of them comes to what it does wrong.


def find(voyage: Voyage, one: Stood) -> None:
    """Somebody reads it."""
    voyage.find(one, voyage.rot[one.spot])


def at_random(planner: Callable[[View], Plan], seed: int = 3) -> None:
    voyage = Voyage(seed, planner=planner)
    live(voyage, 12)
    calm(voyage)
    for _ in range(6):
        spoil(voyage)
    calm(voyage, days=A_PASS)
    all_is_well(voyage)


def a_drive_in_doubt(planner: Callable[[View], Plan]) -> None:
    """So much is bad at once that it can't be single files."""
    voyage = a_yard(planner)
    for roll in voyage.rolls.values():
        for one in copies_standing(voyage, roll):
            if one.place == "Main":
                go_bad(voyage, one, Result.DAMAGED, block(0))
                find(voyage, one)
    voyage.run(1 * DAY - timedelta(minutes=1))
    assert len(voyage.rot) == 6, "nothing is mended on a drive in doubt"
    voyage.run(4 * DAY)
    all_is_well(voyage)


def mending_forbidden(planner: Callable[[View], Plan]) -> None:
    voyage = a_yard(planner)
    voyage.auto_repair = False
    one = copies(voyage)["Main"]
    go_bad(voyage, one, Result.DAMAGED, block(0))
    find(voyage, one)
    voyage.run(3 * DAY)


def an_edit(planner: Callable[[View], Plan]) -> None:
    voyage = a_yard(planner)
    edited = copies(voyage)["Travel"]
    go_bad(voyage, edited, Result.CHANGED, block(0))
    voyage.edits.add(edited.spot)
    voyage.run(A_PASS * DAY)
    assert copies(voyage)["Travel"].last.result is Result.CHANGED
    assert edited.spot in voyage.rot
    assert voyage.laws.begun[DeedKind.REPAIR] == 0
    all_is_well(voyage)


def beside_damage(planner: Callable[[View], Plan]) -> None:
    voyage = a_yard(planner)
    voyage.run(30 * DAY)
    one = copies(voyage)["Main"]
    go_bad(voyage, one, Result.DAMAGED, block(0))
    find(voyage, one)
    voyage.run(3 * DAY)
    all_is_well(voyage)


def a_second_copy_and_a_repair(planner: Callable[[View], Plan]) -> None:
    """Both are possible from one moment on, with the same two drives."""
    voyage = a_yard(planner)
    voyage.unplug("Travel")
    voyage.insert_card(3)
    voyage.run(6 * DAY)
    one = copies(voyage)["Main"]
    go_bad(voyage, one, Result.DAMAGED, block(0))
    find(voyage, one)
    voyage.plug("Travel")
    voyage.run(6 * DAY)
    all_is_well(voyage)


def a_repair_and_a_third_copy(planner: Callable[[View], Plan]) -> None:
    """Both are possible from one moment on, with the same drive."""
    voyage = a_yard(planner)
    voyage.hours = lambda _: Hours(may_upload=False)
    voyage.insert_card(3)
    voyage.run(1 * DAY)
    one = copies(voyage)["Main"]
    go_bad(voyage, one, Result.DAMAGED, block(0))
    find(voyage, one)
    voyage.hours = lambda _: Hours(proof_s=4 * 3600.0)
    voyage.run(6 * DAY)
    all_is_well(voyage)


History = Callable[[Callable[[View], Plan]], None]


@pytest.mark.parametrize(
    "history",
    [
        at_random,
        a_drive_in_doubt,
        mending_forbidden,
        an_edit,
        beside_damage,
        a_second_copy_and_a_repair,
        a_repair_and_a_third_copy,
    ],
)
def test_no_law_is_broken_by_the_planner_itself(history: History) -> None:
    history(plan)


@pytest.mark.parametrize(
    ("broken", "history", "said"),
    [
        (_never_mends, beside_damage, "could be mended"),
        (_asks_nobody, beside_damage, "nobody it asks has what is lost"),
        (_forgets_vain_repairs, a_drive_in_doubt, "repair.* is tried over and over"),
        (_mends_unasked, mending_forbidden, "nobody wants repairs"),
        (_never_reads, beside_damage, "lies beside damage and was not read"),
        (_never_reads, at_random, "prove.* starves"),
    ],
)
def test_the_laws_notice_a_planner_that_mends_wrongly(
    broken: Callable[[View], Plan], history: History, said: str
) -> None:
    with pytest.raises(AssertionError, match=said):
        history(broken)


FIRST, SECOND, THIRD = DeedKind.MIRROR, DeedKind.REPAIR, DeedKind.UPLOAD
REST = tuple(kind for kind in wishes.ORDER[1:] if kind not in {FIRST, SECOND, THIRD})
EDITS_TOO = frozenset({Result.DAMAGED, Result.CHANGED})


@pytest.mark.parametrize(
    ("wrong", "history", "said"),
    [
        (
            (needs, "is_mendable", lambda fact: fact.result in EDITS_TOO),
            an_edit,
            "an edit is no rot",
        ),
        ((needs, "is_mendable", lambda _fact: False), at_random, "could be mended"),
        ((needs, "harmed_at", lambda _copies: {}), beside_damage, "beside damage and was not read"),
        (
            (wishes, "ORDER", (*wishes.ORDER[:1], SECOND, FIRST, *REST, THIRD)),
            a_second_copy_and_a_repair,
            "repair.* came before mirror",
        ),
        (
            (wishes, "ORDER", (*wishes.ORDER[:1], FIRST, THIRD, SECOND, *REST)),
            a_repair_and_a_third_copy,
            "upload.* came before repair",
        ),
    ],
)
def test_the_laws_notice_needs_and_orders_that_are_wrong(
    monkeypatch: pytest.MonkeyPatch, wrong: tuple[object, str, object], history: History, said: str
) -> None:
    monkeypatch.setattr(*wrong)
    with pytest.raises(AssertionError, match=said):
        history(plan)


def test_what_is_not_here_mends_nothing_until_it_is_plugged_in() -> None:
    voyage = a_yard()
    go_bad(voyage, copies(voyage)["Main"], Result.DAMAGED, block(0))
    voyage.unplug("Travel")
    voyage.line_is_up = False
    voyage.find(copies(voyage)["Main"], voyage.rot[copies(voyage)["Main"].spot])
    voyage.run(3 * DAY)
    assert PlaceId("Main") in {place for place, _ in voyage.rot}
    voyage.plug("Travel")
    voyage.run(1 * DAY)
    assert voyage.rot == {}


def test_damage_that_waits_for_its_source_has_its_neighbours_read_once() -> None:
    voyage = a_yard()
    voyage.run(30 * DAY)
    go_bad(voyage, copies(voyage)["Main"], Result.DAMAGED, block(0))
    find(voyage, copies(voyage)["Main"])
    voyage.unplug("Travel")
    voyage.line_is_up = False
    voyage.run(20 * DAY)
    assert voyage.laws.begun[DeedKind.REPAIR] > 20, "it is tried with the bucket"
    assert voyage.laws.begun[DeedKind.PROVE] == 1
    voyage.line_is_up = True
    voyage.run(1 * DAY)
    assert voyage.rot == {}
    assert voyage.laws.begun[DeedKind.PROVE] == 1
