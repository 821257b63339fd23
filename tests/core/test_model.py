"""The nouns: which facts are proofs, and that nothing can be altered."""

from dataclasses import FrozenInstanceError, fields, is_dataclass

import pytest

from backupkeeper.core import model, outcomes
from backupkeeper.core.model import CopyState, Result, Way
from tests.core.made_up_copies import MAIN, PLACES, copy, fact, roll

PROOFS = {
    (Way.READBACK, True),
    (Way.REHASH, True),
    (Way.ATTESTED, True),
    (Way.ATTESTED, False),
    (Way.DOWNLOADED, True),
    (Way.DOWNLOADED, False),
}
"""DESIGN section 2: a drive proves by a cold read, a bucket by attesting or by being fetched back."""


@pytest.mark.parametrize("cold", [True, False], ids=["cold", "warm"])
@pytest.mark.parametrize("way", list(Way))
def test_a_fact_is_a_proof_only_if_all_bytes_were_compared_at_the_medium(
    way: Way, cold: bool
) -> None:
    assert fact(way, cold=cold).is_proof is ((way, cold) in PROOFS)


@pytest.mark.parametrize("result", [one for one in Result if one is not Result.MATCHES])
@pytest.mark.parametrize("way", list(Way))
def test_what_does_not_match_proves_nothing(way: Way, result: Result) -> None:
    assert not fact(way, result=result, cold=True).is_proof


def test_a_warm_read_is_what_one_gets_without_saying_that_it_was_cold() -> None:
    assert model.Fact.__dataclass_fields__["cold"].default is False


@pytest.mark.parametrize("value", [fact(Way.REHASH), PLACES[MAIN], copy(MAIN), roll()])
def test_no_noun_can_be_altered(value: object) -> None:
    name = fields(value)[0].name  # type: ignore[arg-type] # all of them are dataclasses
    with pytest.raises(FrozenInstanceError):
        setattr(value, name, "other")


@pytest.mark.parametrize("module", [model, outcomes])
def test_every_value_is_frozen(module: object) -> None:
    values = [one for one in vars(module).values() if isinstance(one, type) and is_dataclass(one)]
    assert values
    assert not [one for one in values if not one.__dataclass_params__.frozen]  # type: ignore[attr-defined] # set by dataclass


def test_states_are_listed_from_best_to_worst_in_the_words_of_the_design() -> None:
    assert [one.value for one in CopyState] == [
        "proven",
        "due",
        "written",
        "damaged",
        "missing",
        "out of reach",
        "absent",
    ]


def test_all_is_well_only_where_everything_was_read_cold_and_matched() -> None:
    well = outcomes.VerifyOutcome(
        what="main",
        matching_files=1,
        matching_bytes=5,
        not_cold={},
        checked=(),
        manifests=(),
        manifest_faults=(),
        troubles=(),
    )
    assert well.all_well
    trouble = outcomes.Trouble(place="main", path="", message="it went away")
    checked = outcomes.Checked(
        place="main", path="A", finding=outcomes.Finding.DAMAGED, size=5, cold=True
    )
    for change in (
        {"not_cold": {"main": "a FUSE mount"}},
        {"checked": (checked,)},
        {"manifest_faults": (trouble,)},
        {"troubles": (trouble,)},
    ):
        values = {one.name: getattr(well, one.name) for one in fields(well)} | change
        assert not outcomes.VerifyOutcome(**values).all_well, change


def test_a_report_knows_its_rolls_with_gaps() -> None:
    def covered(*gaps: model.Role) -> outcomes.RollCover:
        return outcomes.RollCover(roll=roll().head, roles={}, gaps=gaps, bytes_at_risk=0, fewest=2)

    short = covered(model.Role.CLOUD)
    report = outcomes.GapReport(at=fact(Way.REHASH).at, rolls=(short, covered()))
    assert report.with_gaps == (short,)
