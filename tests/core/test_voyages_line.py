"""Histories in which the line is open at its hours only, costs money at times, and is paused."""

from collections.abc import Callable
from dataclasses import replace
from datetime import time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.deeds import Hours, Plan, View
from backupkeeper.core.hours import Window
from backupkeeper.core.line import LineRule, LineWindow, Wishes, hindrance, line_at
from backupkeeper.core.planner import plan
from tests.core.test_voyages import HAPPENINGS, calm
from tests.core.voyage import Voyage
from tests.core.voyage_mend_laws import all_is_well

BERLIN = ZoneInfo("Europe/Berlin")
HOUR = timedelta(hours=1)
RULE = LineRule(
    limit=2_500_000,
    windows=(
        LineWindow(window=Window(start=time(23), end=time(7))),
        LineWindow(window=Window(start=time(9), end=time(17)), limit=1_000_000),
    ),
)


class OnTheLine(Voyage):
    """A voyage by the person's rules for the line."""

    def __init__(self, seed: int, planner: Callable[[View], Plan] = plan) -> None:
        super().__init__(seed, planner=planner, hours=lambda _: self.by_the_line())
        self.wishes = Wishes(is_metered=None)

    def by_the_line(self) -> Hours:
        line = line_at(self.now, RULE, BERLIN)
        why = hindrance(line, self.wishes, self.now)
        edges = [line.changes_at, self.wishes.paused_until]
        return Hours(
            may_upload=not why,
            no_upload=why,
            upload_limit=line.limit,
            proof_s=4 * 3600.0,
            changes_at=min(at for at in edges if at is not None and at > self.now),
        )

    def change_line(self) -> None:
        metered = self.chance.choice([None, False, True, True])
        paused = (
            self.now + self.chance.randint(1, 30) * HOUR if self.chance.random() < 0.5 else None
        )
        self.wishes = Wishes(is_metered=metered, paused_until=paused)


def _change(voyage: Voyage) -> None:
    assert isinstance(voyage, OnTheLine)
    voyage.change_line()


def _lives(voyage: OnTheLine, steps: int) -> None:
    for _ in range(steps):
        voyage.chance.choice([*HAPPENINGS, *[_change] * 8])(voyage)
        voyage.run(timedelta(minutes=voyage.chance.choice([1, 7, 40, 300, 1500])))


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32))
def test_whatever_the_line_does_all_arrives_and_nothing_is_sent_while_it_is_closed(
    seed: int,
) -> None:
    voyage = OnTheLine(seed)
    _lives(voyage, 25)
    voyage.wishes = Wishes()
    calm(voyage, days=20)
    all_is_well(voyage)  # every gap that can be closed is closed


def _thoughtless(view: View) -> Plan:
    """Uploads at any hour."""
    return plan(replace(view, hours=replace(view.hours, may_upload=True)))


def _half_asleep(view: View) -> Plan:
    """Lets go on what was begun."""
    made = plan(view)
    return replace(made, hold=frozenset())


@pytest.mark.parametrize("broken", [_thoughtless, _half_asleep], ids=lambda one: str(one.__doc__))
def test_the_laws_notice_a_planner_that_sends_over_a_closed_line(
    broken: Callable[[View], Plan],
) -> None:
    for seed in range(40):
        voyage = OnTheLine(seed, planner=broken)
        try:
            _lives(voyage, 25)
        except AssertionError as error:
            if "closed line" in str(error):
                return
        except KeyError:
            continue
    pytest.fail("40 histories, and nobody noticed")
