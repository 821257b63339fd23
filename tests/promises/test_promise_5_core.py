"""Promise 5 in core: never a false yes, from facts to verdict.

The oracle and the cases are in ``tests.core.promise_5_cases``.
"""

from dataclasses import replace

import pytest
from hypothesis import event, given, strategies as st

from backupkeeper.core.model import (
    CardListing,
    PlaceId,
    Result,
    Way,
)
from tests.core.made_up_copies import CLIP, DAY, NOW, PATH, SOUND, fact
from tests.core.promise_5_cases import (
    NAMES,
    READ,
    Case,
    cases,
    days,
    many,
    results,
    safe,
    verdict_on,
    ways,
    whole_case,
)


@many
@given(cases())
def test_a_yes_is_always_safe(case: Case) -> None:
    told = verdict_on(case)
    event(told.answer.value)
    if told.may_wipe:
        assert safe(case)
    assert bool(told.reasons) is not told.may_wipe


@many
@given(cases())
def test_what_is_safe_gets_a_yes_unless_a_clock_ran_ahead(case: Case) -> None:
    if safe(case) and all(one.at <= NOW for one in case.facts):
        assert verdict_on(case).may_wipe, verdict_on(case).reasons


@many
@given(cases(), st.randoms(use_true_random=False))
def test_the_order_of_facts_and_copies_never_matters(case: Case, chance: object) -> None:
    facts = list(case.facts)
    chance.shuffle(facts)  # type: ignore[attr-defined] # a random.Random, which is banned by name
    assert verdict_on(case, facts=facts).reasons == verdict_on(case).reasons


@many
@given(cases(), st.data())
def test_no_bad_news_ever_turns_a_no_into_a_yes(case: Case, data: st.DataObject) -> None:
    bad = data.draw(
        st.builds(
            fact,
            st.sampled_from(Way),
            days,
            st.sampled_from([one for one in Result if one is not Result.MATCHES]),
            place=st.sampled_from(NAMES),
            content=st.sampled_from([CLIP, SOUND]),
        )
    )
    if not verdict_on(case).may_wipe:
        assert not verdict_on(case, facts=[*case.facts, bad]).may_wipe


@many
@given(cases(), st.data())
def test_facts_of_other_copies_never_turn_a_yes_into_a_no(case: Case, data: st.DataObject) -> None:
    """Whatever is found at a path or place of its own leaves the other proofs standing."""
    other = data.draw(
        st.builds(
            fact,
            ways,
            days,
            results,
            place=st.sampled_from([*NAMES, "of another person"]),
            content=st.sampled_from([CLIP, SOUND]),
            path=st.just("elsewhere"),
        )
    )
    if verdict_on(case).may_wipe:
        assert verdict_on(case, facts=[*case.facts, other]).may_wipe


@many
@given(cases())
def test_a_yes_rests_on_proofs_and_taking_them_from_any_role_makes_it_a_no(case: Case) -> None:
    for role in case.asked if verdict_on(case).may_wipe else ():
        for file in case.read:
            rest = [
                one
                for one in case.facts
                if not (
                    one.is_proof
                    and one.content == file.content
                    and one.place in case.places
                    and case.places[one.place].role is role
                )
            ]
            assert not verdict_on(case, facts=rest).may_wipe


THE_LEAST = whole_case(READ[0])


def test_the_least_that_earns_a_yes_gets_one() -> None:
    assert verdict_on(THE_LEAST).may_wipe
    assert safe(THE_LEAST)


@pytest.mark.parametrize("gone", range(3))
def test_taking_the_only_proof_of_a_role_makes_it_a_no(gone: int) -> None:
    case = THE_LEAST
    rest = [one for n, one in enumerate(case.facts) if n != gone]
    assert not verdict_on(case, facts=rest).may_wipe
    assert not safe(case, rest)


@pytest.mark.parametrize("made", range(3))
@pytest.mark.parametrize(
    "change",
    [
        {"result": Result.DAMAGED},
        {"result": Result.CHANGED},
        {"result": Result.MISSING},
        {"result": Result.UNREADABLE},
        {"cold": False},
        {"way": Way.WRITTEN},
        {"way": Way.LOOKED},
        {"at": NOW - 91 * DAY},
        {"at": NOW + 2 * DAY},
        {"content": SOUND},
        {"place": PlaceId("of another person")},
        {"path": PATH, "way": Way.REHASH, "cold": False},
    ],
    ids=str,
)
def test_spoiling_the_only_proof_of_a_role_makes_it_a_no(
    made: int, change: dict[str, object]
) -> None:
    case = THE_LEAST
    facts = list(case.facts)
    facts[made] = replace(facts[made], **change)  # type: ignore[arg-type] # fields by name
    assert not verdict_on(case, facts=facts).may_wipe
    assert not safe(case, facts)


@pytest.mark.parametrize(
    "case",
    [
        whole_case(READ[0], asked=()),
        replace(THE_LEAST, read=(), listing=CardListing(root="/media/card", files=())),
        replace(THE_LEAST, facts=()),
        replace(THE_LEAST, sealed=frozenset()),
        replace(THE_LEAST, places={}),
        replace(THE_LEAST, read=()),
    ],
    ids=["no role", "no file on the card", "no fact", "no sealed roll", "no place", "nothing read"],
)
def test_an_empty_list_is_never_a_yes(case: Case) -> None:
    assert not verdict_on(case).may_wipe
    assert not safe(case)


# ---- sabotage: judges with one thing wrong, each of which the rule above must catch
