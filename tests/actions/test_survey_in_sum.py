"""Needs told from sums, and with the sample of buckets, held against those from all facts of every file."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import event, given, settings, strategies as st

from backupkeeper.actions import survey as surveying
from backupkeeper.actions.sample_budget import note_sample
from backupkeeper.actions.survey import Surveyor
from backupkeeper.core.model import Result, Way
from backupkeeper.core.needs_summed import InSum, need_in_sum
from tests.actions.in_sum_world import BIG, PROOFS, as_told, seal, with_sample
from tests.actions.survey_world import (
    AGES,
    DAY,
    ROLES,
    STEPS,
    VAULT,
    Step,
    World,
    proofs_of,
    well,
    world,
)


@st.composite
def something_of_the_big_one(draw: st.DrawFn) -> Step:
    """The same happened to some of its files, one after the other."""
    first, end = draw(st.integers(0, 3)), draw(st.sampled_from([4, 11, 12, 12, 12]))
    at = draw(st.sampled_from(list(ROLES)))
    ways = [Way.ATTESTED, Way.LOOKED, Way.DOWNLOADED] if at == VAULT else [Way.REHASH, Way.READBACK]
    way = draw(st.sampled_from([*ways, *ways, Way.WRITTEN]))
    result = draw(st.sampled_from([Result.MATCHES] * 8 + [Result.DAMAGED, Result.MISSING]))
    cold = draw(st.sampled_from([True, True, True, False])) and way in {Way.REHASH, Way.READBACK}
    mount = None if at == VAULT else draw(st.sampled_from([None, "boot:1", "boot:2"]))
    age, gap = (
        draw(AGES),
        draw(st.sampled_from([timedelta(0), timedelta(seconds=2), DAY, 30 * DAY])),
    )
    elsewhere = draw(st.sampled_from([False] * 5 + [True]))

    def step(made: World, _surveyor: Surveyor) -> None:
        facts = proofs_of(BIG, at, made.clock.at - age, way=way, cold=cold, mount=mount)[first:end]
        made.theirs.record(
            facts=[
                replace(
                    fact,
                    at=fact.at - number * gap,
                    result=result if number == 0 else Result.MATCHES,
                    path=f"From before/{number}" if elsewhere else fact.path,
                )
                for number, fact in enumerate(facts)
            ]
        )

    return step


@st.composite
def much_time_passed(draw: st.DrawFn) -> Step:
    days = draw(st.sampled_from([3, 40, 200, 370]))

    def step(made: World, _surveyor: Surveyor) -> None:
        made.clock.at += days * DAY

    return step


@st.composite
def a_budget_was_spent(draw: st.DrawFn) -> Step:
    size = draw(st.sampled_from([1, 3_000_000_000]))
    return lambda made, _surveyor: note_sample(made.context, VAULT, size, 1.0)


ALL_STEPS = st.one_of(
    STEPS,
    something_of_the_big_one(),
    something_of_the_big_one(),
    something_of_the_big_one(),
    much_time_passed(),
    a_budget_was_spent(),
)


@pytest.mark.parametrize("proofs", PROOFS)
@settings(deadline=None, max_examples=40)
@given(st.lists(ALL_STEPS, max_size=9))
def test_whatever_happens_needs_in_sum_are_those_of_every_file(
    proofs: str, steps: list[Step]
) -> None:
    with world(with_sample(f"{proofs}\nbucket_month_gb = 2")) as made:
        well(made)
        seal(made)
        for at in ROLES:
            made.theirs.record(facts=proofs_of(BIG, at))
        surveyor = Surveyor(made.context)
        for step in steps:
            step(made, surveyor)
            as_told(made, surveyor.survey(made.mounted))
            as_told(made, Surveyor(made.context).survey(made.mounted))


def test_both_ways_are_taken_in_random_histories() -> None:
    """That the property above speaks of sums, not only of files."""
    told: list[InSum | None] = []

    def counted(*asked: object) -> InSum | None:
        told.append(need_in_sum(*asked))  # type: ignore[arg-type]  # handed on as it came
        return told[-1]

    @settings(deadline=None, max_examples=30, derandomize=True, database=None)
    @given(st.lists(ALL_STEPS, max_size=6))
    def some(steps: list[Step]) -> None:
        with world() as made:
            well(made)
            seal(made)
            surveyor = Surveyor(made.context)
            for step in steps:
                step(made, surveyor)
                surveyor.survey(made.mounted)
        event("told")

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(surveying, "need_in_sum", counted)
        some()
    share = sum(one is not None for one in told) / len(told)
    assert 0.2 < share < 0.95
