"""Thousands of random histories, with the laws of ``voyage_laws`` holding at every step."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.deeds import DeedKind, Hours, Plan, View
from backupkeeper.core.hours import Window, hours_at
from backupkeeper.core.model import PlaceId, Role, Roll, RollId, Standing, Way
from backupkeeper.core.planner import plan
from backupkeeper.core.wishes import wishes
from tests.core.voyage import Voyage
from tests.core.voyage_kept import KeptNeeds
from tests.core.voyage_mend_laws import all_is_well, has_a_reason
from tests.core.voyage_parts import BEGIN, DRILLS, Card
from tests.core.voyage_rot import spoil
from tests.core.voyage_seen import unlisted

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
DRIVES = ("Main", "Travel", "Spare", "Twin")


def live(voyage: Voyage, steps: int) -> None:
    """So many random things happen, with time in between."""
    chance = voyage.chance
    for _ in range(steps):
        happens = chance.choice(HAPPENINGS)
        happens(voyage)
        voyage.run(timedelta(minutes=chance.choice([1, 7, 40, 300, 1500])))


def _plug(voyage: Voyage) -> None:
    voyage.plug(voyage.chance.choice(DRIVES))


def _unplug(voyage: Voyage) -> None:
    voyage.unplug(voyage.chance.choice(DRIVES))


def _card(voyage: Voyage) -> None:
    if len(voyage.cards) < 3:
        voyage.insert_card(voyage.chance.randint(1, 4))


def _pull_card(voyage: Voyage) -> None:
    if voyage.cards:
        del voyage.cards[voyage.chance.choice(sorted(voyage.cards))]


def _folder(voyage: Voyage) -> None:
    voyage.drop_folder(voyage.chance.choice(DRIVES))


def _line(voyage: Voyage) -> None:
    voyage.line_is_up = not voyage.line_is_up


def _fail(voyage: Voyage) -> None:
    voyage.failing = {PlaceId(voyage.chance.choice(DRIVES))} if not voyage.failing else set()


def _full(voyage: Voyage) -> None:
    drive = voyage.drives[PlaceId(voyage.chance.choice(DRIVES))]
    drive.free = voyage.chance.choice([0, 10**9, 4 * 10**12])


def _lend(voyage: Voyage) -> None:
    ident = PlaceId(voyage.chance.choice([*DRIVES, "Vault"]))
    voyage.lent = {} if voyage.lent else {ident: "process 7 uses it"}


def _work(voyage: Voyage) -> None:
    voyage.busy = {} if voyage.busy else {"device of Main": "somebody reads it"}


def _pause(voyage: Voyage) -> None:
    voyage.paused = not voyage.paused


def _wait(voyage: Voyage) -> None:
    voyage.line_is_up = True  # nobody leaves it down for so long
    voyage.run(timedelta(days=voyage.chance.choice([1, 20, 85])))


def _repairs(voyage: Voyage) -> None:
    voyage.auto_repair = not voyage.auto_repair


HAPPENINGS: list[Callable[[Voyage], None]] = [
    *[_plug] * 4, *[_card] * 4, *[spoil] * 5, _repairs, _unplug, _pull_card, _folder, _line, _fail, _full, _lend, _work,
    _pause, *[_wait] * 2,
]  # fmt: skip


A_PASS = 95
"""Days after which all that rotted before was found."""


def calm(voyage: Voyage, days: int = 9) -> None:
    """Everything is plugged in and works, and there is time."""
    voyage.line_is_up, voyage.failing, voyage.lent, voyage.busy = True, set(), {}, {}
    voyage.paused, voyage.auto_repair = False, True
    for name in DRIVES:
        voyage.plug(name)
        voyage.drives[PlaceId(name)].free = 10**13
    voyage.run(days * DAY)


def holds(seed: int, steps: int = 40, *, lives_on: bool = True) -> Voyage:
    voyage = Voyage(seed)
    live(voyage, steps)
    calm(voyage)
    all_is_well(voyage)
    drilled_in_time(voyage)
    if lives_on:
        for _ in range(voyage.chance.randint(0, 4)):
            spoil(voyage)
        calm(voyage, days=A_PASS)
        all_is_well(voyage)
        drilled_in_time(voyage)
    for card in voyage.cards.values():
        if not any(has_a_reason(voyage, one) for one in of_card(voyage, card)):
            assert card.judged is not None
            assert card.judged[1] or voyage.found, "everything is proven, so it may be wiped"
    return voyage


def drilled_in_time(voyage: Voyage) -> None:
    """After days without trouble the drill that was due was made."""
    if any(way is Way.ATTESTED for told in voyage.facts.values() for way in (f.way for f in told)):
        assert voyage.drilled is not None
        assert voyage.now - voyage.drilled < DRILLS + DAY


def of_card(voyage: Voyage, card: Card) -> list[Roll]:
    return [one for one in voyage.rolls.values() if one.head.folder in (card.taken or ())]


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32))
def test_every_gap_that_can_be_closed_is_closed_and_no_law_is_broken(seed: int) -> None:
    holds(seed)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(40))  # small, for machines that are slow and busy
def test_a_thousand_histories(part: int) -> None:
    for seed in range(part * 25, part * 25 + 25):
        holds(seed, steps=12, lives_on=seed % 3 == 0)


# -- planners that break a rule: the laws must notice


def _greedy(view: View) -> Plan:
    """Gives every wish its start, whoever uses the device."""
    made = plan(view)
    under_way = {one.deed.key for one in view.running}
    more = [w.deed for w in wishes(view).ready if w.deed.key not in under_way]
    return replace(made, start=tuple(more))


def _lazy(view: View) -> Plan:
    """Never uploads."""
    made = plan(view)
    return replace(made, start=tuple(one for one in made.start if one.kind != "upload"))


def _trusting(view: View) -> Plan:
    """Never drills."""
    return plan(replace(view, drill=None))


def _forgetful(view: View) -> Plan:
    """Never brings a manifest that was not sent."""
    return plan(replace(view, unlisted=()))


def _deaf(view: View) -> Plan:
    """Forgets all failures."""
    return plan(replace(view, setbacks={}))


def _blind(view: View) -> Plan:
    """Believes that nothing is under way."""
    return plan(replace(view, running=()))


def _pushy(view: View) -> Plan:
    """Uses what is lent."""
    return plan(replace(view, lent={}))


def _wakeful(view: View) -> Plan:
    """Works in a pause."""
    return plan(replace(view, paused=False))


@pytest.mark.parametrize(
    "broken",
    [_greedy, _lazy, _deaf, _blind, _pushy, _wakeful, _trusting, _forgetful],
    ids=lambda one: str(one.__doc__),
)
def test_the_laws_notice_a_planner_that_breaks_a_rule(broken: Callable[[View], Plan]) -> None:
    for seed in range(60):
        voyage = Voyage(seed, planner=broken)
        try:
            live(voyage, 25)
            calm(voyage)
            assert voyage.gaps() == []
            assert not unlisted(voyage)
            drilled_in_time(voyage)
        except (AssertionError, KeyError):
            return
    pytest.fail("60 histories, and nobody noticed")


# -- a laptop that is closed at night

OPEN_FROM, OPEN_TO = 8, 22
BUDGET_S = 900.0
"""So that the proofs of all these rolls take several nights."""
NIGHT = Window(start=time(1), end=time(6))


def by_the_clock(voyage: Voyage) -> Hours:
    return hours_at(
        voyage.now,
        tz=UTC,
        upload_windows=(),
        proof_window=NIGHT,
        proof_budget_s=BUDGET_S,
        used=voyage.proof_used,
        away=voyage.away,
    )


def a_day(voyage: Voyage) -> None:
    """The laptop is opened, used, and closed for the night."""
    voyage.run(voyage.now.replace(hour=OPEN_TO, minute=0, second=0) - voyage.now)
    opens = (voyage.now + DAY).replace(hour=OPEN_FROM)
    voyage.sleep(opens - voyage.now)


def test_thirty_days_with_a_laptop_closed_at_night_leave_no_proof_due() -> None:
    voyage = Voyage(1, hours=by_the_clock)
    for name in ("Main", "Travel"):
        voyage.plug(name)
    for _ in range(6):
        voyage.insert_card(4)
    voyage.run(10 * DAY)
    voyage.cards.clear()
    assert voyage.gaps() == []
    voyage.run(60 * DAY)
    used = len(voyage.proof_used)
    voyage.now = (
        datetime(voyage.now.year, voyage.now.month, voyage.now.day, OPEN_FROM, tzinfo=UTC) + DAY
    )
    for _ in range(30):
        a_day(voyage)
        due = [gap for gap in voyage.gaps() if gap[1] is not Role.CLOUD]
        assert due == [], f"a proof got too old by {voyage.now}"
    spent = voyage.proof_used[used:]
    assert spent, "proofs were made in these days"
    by_day: dict[datetime, float] = {}
    for at, seconds in spent:
        morning = (at - 8 * HOUR).replace(hour=0, minute=0, second=0, microsecond=0)
        by_day[morning] = by_day.get(morning, 0.0) + seconds
    # Two drives side by side, each within the night's budget (a file is read to its end).
    assert max(by_day.values()) <= 2 * (BUDGET_S + 400)
    assert voyage.now > BEGIN + 100 * DAY


@pytest.mark.parametrize("seed", range(6))
def test_what_a_lost_drive_held_comes_to_another_of_its_role_most_endangered_first(
    seed: int,
) -> None:
    voyage = Voyage(seed)
    voyage.line_is_up = False
    voyage.plug("Main")
    voyage.insert_card(3)
    voyage.run(DAY)
    first = set(voyage.rolls)  # nowhere but on the main drive
    voyage.plug("Travel")
    voyage.run(DAY)
    voyage.line_is_up = True
    voyage.run(5 * DAY)
    voyage.line_is_up = False
    voyage.insert_card(2)
    voyage.run(DAY)
    assert len(voyage.rolls) > len(first) > 0
    late = set(voyage.rolls) - first  # proven twice; the earlier ones stand in the bucket too
    main = PlaceId("Main")
    voyage.unplug("Main")
    voyage.places[main] = replace(voyage.places[main], standing=Standing.LOST)
    voyage.kept = KeptNeeds()  # what it keeps does not follow places
    assert {role for _, role in voyage.gaps()} >= {Role.PRIMARY}
    # "Twin" is of the same role, and on a device of its own here.
    twin = PlaceId("Twin")
    voyage.places[twin] = replace(voyage.places[twin], device="device of Twin")
    voyage.drives[twin].place = voyage.places[twin]
    begun: list[RollId] = []
    voyage.plug("Twin")
    for _ in range(400):
        voyage.run(timedelta(minutes=3))
        for one in voyage.jobs.values():
            roll = one.deed.roll
            if one.deed.kind is DeedKind.MIRROR and roll is not None and roll not in begun:
                begun.append(roll)
    assert [role for _, role in voyage.gaps() if role is Role.PRIMARY] == []
    assert begun[0] in late
    assert set(begun) == set(voyage.rolls)
