"""Rolls counted in groups by the catalog, held against every fact looked at one by one.

The expected answer is always ``core.policy.cover`` of every roll from all facts.
"""

from datetime import datetime, timedelta

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.actions.gaps import covers_of
from backupkeeper.actions.survey import Surveyor
from backupkeeper.catalog.store import SqliteCatalog
from backupkeeper.core.model import CopyState, PlaceId, Result, Role, Standing, Way
from backupkeeper.core.outcomes import RollCover
from backupkeeper.core.policy import copies_of, cover
from tests.actions.survey_world import (
    DAY,
    MAIN,
    MICRO,
    ROLES,
    ROLLS,
    SPARE,
    STEPS,
    TRAVEL,
    VAULT,
    Step,
    World,
    place,
    proofs_of,
    well,
    world,
)
from tests.catalog.made import NOW


def one_by_one(made: World) -> list[RollCover]:
    places = {one.id: one for one in made.mine.places()}
    policy = made.context.config.policy
    return [
        cover(
            made.mine.roll(head.id),
            copies_of(made.mine.facts_of_roll(head.id), places, policy, made.clock.at),
            places,
            policy,
        )
        for head in made.mine.rolls()
    ]


def counted(made: World) -> list[RollCover]:
    places = {one.id: one for one in made.mine.places()}
    return covers_of(made.context, places, made.clock.at)


POLICIES = st.sampled_from(
    ["", "distinct_devices = false", 'roles = ["primary", "cloud"]', "proof_days_drive = 30"]
)


@settings(deadline=None, max_examples=40)  # more in test_sums.py
@given(st.lists(STEPS, max_size=8), POLICIES)
def test_any_history_comes_to_the_same(steps: list[Step], policy: str) -> None:
    with world(policy) as made:
        well(made)
        surveyor = Surveyor(made.context)
        for step in steps:
            step(made, surveyor)
            assert counted(made) == one_by_one(made)


PLAIN = st.tuples(
    st.integers(0, 2),
    st.integers(0, 2),
    st.sampled_from([VAULT, VAULT, MAIN, SPARE]),
    st.sampled_from([Way.WRITTEN, Way.ATTESTED, Way.DOWNLOADED, Way.LOOKED, Way.REHASH]),
    st.sampled_from([0, 1, 2, 29, 30, 31, 89, 90, 91, 364, 365, 366]),
    st.sampled_from([timedelta(0), MICRO, -MICRO]),
)


@settings(deadline=None, max_examples=200)
@given(st.lists(PLAIN, max_size=10), st.sampled_from([0, 1]))
def test_orders_and_ages_of_plain_facts_come_to_the_same(
    facts: list[tuple[int, int, PlaceId, Way, int, timedelta]], roll: int
) -> None:
    """Nothing odd among them, so nearly all of it is counted; same instants and exact ages too."""
    with world() as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        made.theirs.seal(ROLLS[roll])
        made.clock.at = NOW + timedelta(seconds=1)
        for _, which, at, way, days, off in facts:
            kind = way if (at == VAULT) == (way is not Way.REHASH) else Way.LOOKED
            when = made.clock.at - days * DAY + min(off, timedelta(days=days))
            facts_made = proofs_of(ROLLS[roll], at, when, way=kind)
            made.theirs.record(facts=facts_made[which : which + 1])
        assert counted(made) == one_by_one(made)


def test_what_is_plain_is_counted_and_not_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    with world() as made:
        well(made)
        made.theirs.put_place(place(SPARE, standing=Standing.LOST))
        made.theirs.record(facts=proofs_of(ROLLS[0], VAULT, NOW + DAY, way=Way.DOWNLOADED))
        made.clock.at = NOW + 40 * DAY
        expected = one_by_one(made)
        monkeypatch.delattr(SqliteCatalog, "facts_of")  # nothing may be looked at file by file
        found = counted(made)
        assert found == expected
        # Attested 40 days ago: due, but for the first roll, which was fetched back since.
        assert [one.gaps for one in found] == [(), (Role.CLOUD,), (Role.CLOUD,)]
        assert found[1].roles[Role.CLOUD].state is CopyState.DUE


@pytest.mark.parametrize(
    ("changes", "when"),
    [
        ({"result": Result.DAMAGED}, NOW),
        ({"way": Way.LOOKED, "version": "other"}, NOW),
        ({}, NOW + 100 * DAY),
        ({"way": Way.ATTESTED}, NOW),
    ],
    ids=["bad", "another version", "of a time to come", "of another kind"],
)
def test_what_is_odd_is_looked_at(
    changes: dict[str, object], when: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    with world() as made:
        well(made, MAIN, TRAVEL, VAULT)
        made.theirs.record(facts=proofs_of(ROLLS[1], MAIN, when, **changes))
        expected = one_by_one(made)
        assert counted(made) == expected
        monkeypatch.delattr(SqliteCatalog, "facts_of")
        with pytest.raises(AttributeError):
            counted(made)


def test_a_roll_without_files_is_one_big_gap() -> None:
    with world() as made:
        well(made)
        made.theirs.seal(ROLLS[3])
        assert counted(made) == one_by_one(made)
        assert counted(made)[-1].fewest == 0
