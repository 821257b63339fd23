"""The kept survey with each night's share, and with damage that was mended beside others."""

from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.actions.one_roll import trees_of
from backupkeeper.actions.survey import Surveyor, survey
from backupkeeper.core.deeds import RollNeed
from backupkeeper.core.model import Fact, PlaceId, Result, Way
from backupkeeper.core.needs import TICK, Circumstances, need_of
from backupkeeper.core.policy import copies_of
from backupkeeper.core.sums import RollSums
from tests.actions.survey_world import (
    DAY,
    MAIN,
    MICRO,
    ROLLS,
    STEPS,
    TRAVEL,
    Step,
    World,
    proofs_of,
    well,
    world,
)
from tests.catalog.made import NOW

HOUR = timedelta(hours=1)
Cutoffs = dict[PlaceId, datetime]


def by_brute_force(made: World, cutoffs: Cutoffs) -> tuple[RollNeed, ...]:
    config = made.context.config
    places = {one.id: one for one in made.mine.places()}
    around = Circumstances(
        places=places,
        policy=config.policy,
        now=made.clock.at,
        mounted=made.mounted,
        lead=config.proofs.lead,
        cutoffs=cutoffs,
        trees=partial(trees_of, made.context),
    )
    found = []
    for head in made.mine.rolls():
        facts = made.mine.facts_of_roll(head.id)
        copies = copies_of(facts, places, config.policy, made.clock.at)
        found.append(need_of(made.mine.roll(head.id), copies, around))
    return tuple(need for need in found if need is not None)


shares = st.none() | st.tuples(
    st.sampled_from([MAIN, TRAVEL]),
    st.sampled_from([timedelta(0), MICRO, DAY, 15 * DAY, 76 * DAY, -MICRO, -DAY]),
)


@settings(max_examples=60)
@given(steps=st.lists(st.tuples(STEPS, shares), max_size=10))
def test_with_any_share_the_kept_survey_is_the_one_from_all_facts(
    steps: list[tuple[Step, tuple[PlaceId, timedelta] | None]],
) -> None:
    with world() as made:
        well(made)
        surveyor = Surveyor(made.context)
        for step, share in steps:
            step(made, surveyor)
            cutoffs = {} if share is None else {share[0]: made.clock.at - share[1]}
            expected = by_brute_force(made, cutoffs)
            assert surveyor.survey(made.mounted, cutoffs) == expected


def counted(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """Every roll of which it is asked anew what it needs from now on."""
    looked: list[object] = []
    ask = Surveyor._examine

    def asked(surveyor: Surveyor, sums: RollSums, *told: Any) -> Any:
        looked.append(sums.id)
        return ask(surveyor, sums, *told)

    monkeypatch.setattr(Surveyor, "_examine", asked)
    return looked


def test_one_nights_share_is_looked_at_once_however_often_it_is_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with world() as made:
        well(made)
        made.theirs.record(facts=proofs_of(ROLLS[0], MAIN, NOW + HOUR))
        made.clock.at = NOW + 5 * DAY
        surveyor = Surveyor(made.context)
        looked = counted(monkeypatch)
        share = {MAIN: NOW}
        (two, three) = surveyor.survey(made.mounted, share)
        assert {two.roll.id, three.roll.id} == {ROLLS[1].head.id, ROLLS[2].head.id}
        assert (two.at[MAIN].ageing_files, two.at[MAIN].before) == (3, NOW + TICK)
        assert len(looked) == 2
        for minutes in range(0, 59, 7):
            made.clock.at = NOW + 5 * DAY + timedelta(minutes=minutes)
            surveyor.survey(made.mounted, dict(share))
        assert len(looked) == 2
        made.theirs.record(facts=proofs_of(ROLLS[1], MAIN, made.clock.at))
        (three,) = surveyor.survey(made.mounted, share)
        assert three.roll.id == ROLLS[2].head.id
        assert len(looked) <= 5  # a roll with the sidecar that two share was told of too
        assert surveyor.survey(made.mounted, {}) == ()


def damage(when: datetime, **changes: object) -> Fact:
    bad = proofs_of(ROLLS[0], MAIN, when, way=Way.REHASH, result=Result.DAMAGED)[0]
    return replace(bad, **changes)  # type: ignore[arg-type]  # made up by name


@pytest.mark.parametrize("is_known_before", [False, True])
def test_what_lies_beside_damage_that_was_mended_is_wanted_until_it_was_read(
    is_known_before: bool,
) -> None:
    """By its own proofs the roll is well: the sieve alone would pass it over."""
    with world() as made:
        well(made)
        made.clock.at = NOW + 10 * DAY
        surveyor = Surveyor(made.context)
        if is_known_before:
            assert surveyor.survey(made.mounted) == ()
        found = NOW + 8 * DAY
        mended = proofs_of(ROLLS[0], MAIN, found + HOUR)[0]
        made.theirs.record(facts=[damage(found), mended])
        for taken in (surveyor.survey(made.mounted), survey(made.context, made.mounted)):
            (need,) = taken
            assert need.roll.id == ROLLS[0].head.id
            standing = need.at[MAIN]
            assert (standing.neighbours, standing.unproven_files) == (True, 1)
            assert standing.before == found - DAY
        made.clock.at += 3 * HOUR  # sieved anew
        assert len(surveyor.survey(made.mounted)) == 1
        made.theirs.record(facts=proofs_of(ROLLS[0], MAIN, made.clock.at)[1:])
        made.clock.at += MICRO
        assert surveyor.survey(made.mounted) == survey(made.context, made.mounted) == ()


def test_where_all_neighbours_were_read_with_it_nothing_is_wanted() -> None:
    with world() as made:
        well(made)
        made.clock.at = NOW + 10 * DAY
        made.theirs.record(facts=[damage(NOW + HOUR), proofs_of(ROLLS[0], MAIN, NOW + 2 * HOUR)[0]])
        assert survey(made.context, made.mounted) == by_brute_force(made, {}) == ()
