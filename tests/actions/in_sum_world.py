"""One larger roll beside the others of ``survey_world``, and what rolls need by all facts of every file."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from functools import partial

import pytest

from backupkeeper.actions.one_roll import trees_of
from backupkeeper.actions.sample_budget import sampling_now
from backupkeeper.catalog.store import SqliteCatalog
from backupkeeper.core.deeds import RollNeed
from backupkeeper.core.model import Fact, PlaceId, RollId
from backupkeeper.core.needs import Circumstances, need_of
from backupkeeper.core.policy import copies_of
from backupkeeper.core.sampling import NO_SAMPLING, Sampling
from tests.actions.survey_world import (
    World,
    proofs_of,
    roll,
)
from tests.catalog.made import NOW, content

BIG = roll(9, {f"DCIM/C{number:04}.MP4": 900 + number for number in range(12)})
LOST_NAME = roll(8, {"A%~2.MP4": 800, "B.MP4": 801})
PROOFS = ("", "bucket_sample_percent = 40", "bucket_sample_percent = 100", "bucket_years = 1")


def with_sample(proofs: str) -> str:
    return f"\n[proofs]\n{proofs}"


def seal(made: World) -> None:
    made.theirs.record(contents=[content(900 + number) for number in range(12)])
    made.theirs.seal(BIG)


def by_brute_force(made: World, sampling: Sampling) -> dict[RollId, RollNeed]:
    """Every file of every roll, from all facts of now."""
    config = made.context.config
    around = Circumstances(
        places={one.id: one for one in made.mine.places()},
        policy=config.policy,
        now=made.clock.at,
        mounted=made.mounted,
        lead=config.proofs.lead,
        sampling=sampling,
        trees=partial(trees_of, made.context),
    )
    found = {}
    for head in made.mine.rolls():
        facts = made.mine.facts_of_roll(head.id)
        copies = copies_of(facts, around.places, config.policy, made.clock.at)
        need = need_of(made.mine.roll(head.id), copies, around)
        if need is not None:
            found[head.id] = need
    return found


def as_told(made: World, needs: tuple[RollNeed, ...]) -> None:
    """What is told is so, sample and all; and none is left out that needs something without the sample.

    A roll that is well, but for the sample, is passed over until it is looked at for something else.
    """
    told = {need.roll.id: need for need in needs}
    expected = by_brute_force(made, sampling_now(made.context))
    assert told == {ident: expected[ident] for ident in told}
    assert by_brute_force(made, NO_SAMPLING).keys() <= told.keys()


def looked_at(monkeypatch: pytest.MonkeyPatch) -> list[RollId]:
    """Rolls that are looked at file by file from now on."""
    looked: list[RollId] = []
    ask = SqliteCatalog.facts_of_roll

    def asked(catalog: SqliteCatalog, ident: RollId) -> Iterator[Fact]:
        looked.append(ident)
        return ask(catalog, ident)

    monkeypatch.setattr(SqliteCatalog, "facts_of_roll", asked)
    return looked


def spread(at: PlaceId, gap: timedelta, **changes: object) -> list[Fact]:
    facts = proofs_of(BIG, at, NOW, **changes)
    return [replace(fact, at=fact.at + number * gap) for number, fact in enumerate(facts)]
