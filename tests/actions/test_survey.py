"""The survey that keeps what can't have changed, held against one that looks at every file.

The expected answer is always ``core.needs.need_of`` of every roll from all facts: no sieve, no cache.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.actions.survey import Surveyor, survey
from backupkeeper.catalog.store import SqliteCatalog
from backupkeeper.core.model import Event, EventKind, PlaceId, Result, Way
from tests.actions.survey_world import (
    DAY,
    MAIN,
    MICRO,
    ROLES,
    ROLLS,
    STEPS,
    TRAVEL,
    VAULT,
    Step,
    a_roll_proven,
    facts_recorded,
    place,
    proofs_of,
    roll,
    well,
    world,
)
from tests.catalog.made import NOW


@settings(max_examples=150)
@given(begin_well=st.booleans(), steps=st.lists(STEPS, max_size=12))
def test_whatever_happens_the_kept_survey_is_the_one_from_all_facts(
    begin_well: bool, steps: list[Step]
) -> None:
    with world() as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        if begin_well:
            well(made)
        surveyor = Surveyor(made.context)
        for step in (lambda _w, _s: None, *steps):
            step(made, surveyor)
            expected = made.by_brute_force()
            assert surveyor.survey(made.mounted) == expected
            assert surveyor.unlisted() == made.unlisted_by_brute_force()
            assert survey(made.context, made.mounted) == expected


@settings(max_examples=100)
@given(
    steps=st.lists(st.one_of(facts_recorded(), a_roll_proven()), max_size=8), share=st.floats(0, 1)
)
def test_until_the_edge_time_alone_changes_nothing(steps: list[Step], share: float) -> None:
    with world() as made:
        well(made)
        surveyor = Surveyor(made.context)
        for step in steps:
            step(made, surveyor)
        before = surveyor.survey(made.mounted)
        assert surveyor.edge is not None
        now = made.clock.at
        assert surveyor.edge > now
        for at in (surveyor.edge - MICRO, now + (surveyor.edge - now) * share - MICRO):
            made.clock.at = max(at, now)
            assert made.by_brute_force() == before


def test_what_is_well_is_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    with world() as made:
        well(made)
        surveyor = Surveyor(made.context)
        monkeypatch.delattr(SqliteCatalog, "facts_of_roll")  # nothing may be looked at file by file
        assert surveyor.survey(made.mounted) == ()
        assert surveyor.edge == NOW + timedelta(hours=1)


def test_that_manifests_stand_there_is_asked_once_and_again_only_where_one_may_lack(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked, ask = [], SqliteCatalog.latest

    def counted(catalog: SqliteCatalog, kind: EventKind) -> Mapping[str, Event]:
        asked.append(kind)
        return ask(catalog, kind)

    with world() as made:
        well(made)
        surveyor = Surveyor(made.context)
        surveyor.survey(made.mounted)
        monkeypatch.setattr(SqliteCatalog, "latest", counted)
        for _ in range(3):
            assert [one.roll for one in surveyor.unlisted()] == [one.head for one in ROLLS[:3]]
        assert asked == [EventKind.LISTED]
        listed = [
            Event(at=NOW, kind=EventKind.LISTED, subject=f"{VAULT} {one.head.id}", detail="")
            for one in ROLLS[:3]
        ]
        made.theirs.note(listed)
        surveyor.survey(made.mounted)
        assert surveyor.unlisted() == ()
        made.theirs.record(facts=proofs_of(ROLLS[0], MAIN, NOW + MICRO))
        surveyor.survey(made.mounted)
        asked.clear()
        assert surveyor.unlisted() == ()
        assert asked == []


@dataclass
class Counted:
    """How often it was asked anew what a roll needs."""

    times: int = 0

    def count(self, monkeypatch: pytest.MonkeyPatch) -> "Counted":
        ask = Surveyor._examine

        def asked(surveyor: Surveyor, *told: Any) -> Any:
            self.times += 1
            return ask(surveyor, *told)

        monkeypatch.setattr(Surveyor, "_examine", asked)
        return self


def test_only_the_roll_that_a_fact_is_about_is_looked_at_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with world() as made:
        well(made, MAIN, TRAVEL)  # and no third place: every roll needs something
        made.theirs.put_place(place(VAULT))
        surveyor = Surveyor(made.context)
        assert len(surveyor.survey(made.mounted)) == 3
        looked = Counted().count(monkeypatch)
        assert len(surveyor.survey(made.mounted)) == 3
        assert looked.times == 0
        made.theirs.note([Event(at=NOW, kind=EventKind.RAN, subject="report")])
        surveyor.survey(made.mounted)
        assert looked.times == 0  # written, but no fact
        made.theirs.record(facts=proofs_of(ROLLS[0], VAULT))
        assert len(surveyor.survey(made.mounted)) == 2
        assert looked.times == 1
        made.clock.at += timedelta(minutes=59)
        surveyor.survey(made.mounted)
        assert looked.times == 1


def test_a_mount_matters_only_where_something_was_read_from_the_cache(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with world() as made:
        well(made)
        warm = proofs_of(ROLLS[0], MAIN, NOW + MICRO, way=Way.WRITTEN, cold=False, mount="boot:1")
        made.theirs.record(facts=warm)
        made.clock.at += DAY / 48
        surveyor = Surveyor(made.context)
        (need,) = surveyor.survey({MAIN: "boot:1"})
        assert need.at[MAIN].vain
        looked = Counted().count(monkeypatch)
        surveyor.survey({MAIN: "boot:1", TRAVEL: "boot:9"})
        assert looked.times == 0
        (need,) = surveyor.survey({MAIN: "boot:2"})
        assert (looked.times, need.at[MAIN].vain) == (1, "")


def test_many_changes_at_once_are_sieved_not_looked_at_one_by_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    many = [roll(number, {"A.MP4": number}) for number in range(10, 40)]
    with world() as made:
        well(made)
        surveyor = Surveyor(made.context)
        surveyor.survey(made.mounted)
        looked = Counted().count(monkeypatch)
        for one in many:
            made.theirs.seal(one)
            for at in ROLES:
                made.theirs.record(facts=proofs_of(one, at))
        made.clock.at += timedelta(minutes=1)
        assert surveyor.survey(made.mounted) == ()
        assert looked.times == 0


def test_a_place_on_a_shared_device_is_seen_at_once() -> None:
    with world() as made:
        well(made, MAIN, TRAVEL, VAULT)
        surveyor = Surveyor(made.context)
        assert surveyor.survey(made.mounted) == ()
        made.mine.put_place(replace(place(TRAVEL), device="disk of main"))
        assert {need.same_device for need in surveyor.survey(made.mounted)} == {True}


OLD = NOW - 400 * DAY
MOMENTS = [
    pytest.param([(MAIN, Way.REHASH, NOW - 76 * DAY + DAY / 48)], id="ageing in half an hour"),
    pytest.param([(MAIN, Way.REHASH, NOW - 89 * DAY)], id="due tomorrow"),
    pytest.param([(VAULT, Way.LOOKED, NOW + MICRO)], id="attested long ago, looked at today"),
    pytest.param([(VAULT, Way.DOWNLOADED, NOW + MICRO)], id="fetched back"),
    pytest.param([(MAIN, Way.REHASH, NOW + 2 * DAY)], id="proven by a clock two days ahead"),
    pytest.param(
        [(MAIN, Result.DAMAGED, NOW - DAY), (MAIN, Way.REHASH, NOW + DAY / 2)],
        id="damaged, and a proof from a time to come",
    ),
]


@pytest.mark.parametrize("facts", MOMENTS)
def test_at_every_moment_at_which_an_age_counts_forth_and_back(
    facts: list[tuple[PlaceId, Way | Result, datetime]],
) -> None:
    with world() as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        one = ROLLS[0]
        made.theirs.seal(one)
        for at in (MAIN, TRAVEL, VAULT):
            made.theirs.record(facts=proofs_of(one, at, OLD if at == facts[0][0] else NOW))
        moments = {NOW, NOW + 500 * DAY}
        for at, what, when in facts:
            way = what if isinstance(what, Way) else Way.REHASH
            result = what if isinstance(what, Result) else Result.MATCHES
            made.theirs.record(facts=proofs_of(one, at, when, way=way, result=result))
            spans = [timedelta(0), -DAY, *(days * DAY for days in (16, 30, 76, 90, 351, 365))]
            moments |= {when + span + off for span in spans for off in (-MICRO, MICRO * 0, MICRO)}
        walk = sorted(moment for moment in moments if moment >= NOW - DAY)
        surveyor = Surveyor(made.context)
        for moment in [*walk, *reversed(walk)]:
            made.clock.at = moment
            assert surveyor.survey(made.mounted) == made.by_brute_force(), moment
