"""What buckets are to get, held against the needs of every roll from all its facts."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.actions.gaps import covers_of
from backupkeeper.actions.off_site import needs_off_site
from backupkeeper.actions.survey import Surveyor
from backupkeeper.catalog.store import SqliteCatalog
from backupkeeper.core.model import Blake3, Fact, Result, Role
from backupkeeper.core.outcomes import GapReport
from tests.actions.survey_world import (
    MAIN,
    ROLLS,
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

DAY = timedelta(days=1)


def told(made: World) -> list[tuple[str, int]]:
    places = {one.id: one for one in made.mine.places()}
    covers = covers_of(made.context, places, made.clock.at)
    report = GapReport(at=made.clock.at, rolls=tuple(covers), places=tuple(places.values()))
    return sorted(
        (need.roll.id, need.wants[VAULT].size_bytes)
        for need in needs_off_site(made.context, report)
        if VAULT in need.wants
    )


def expected(made: World) -> list[tuple[str, int]]:
    return sorted(
        (need.roll.id, need.wants[VAULT].size_bytes)
        for need in made.by_brute_force()
        if VAULT in need.wants and Role.CLOUD in need.gaps
    )


@settings(deadline=None, max_examples=100)
@given(st.lists(STEPS, max_size=6), st.booleans())
def test_any_history_comes_to_the_same(steps: list[Step], with_vault: bool) -> None:
    with world() as made:
        well(made, *([MAIN, TRAVEL, VAULT] if with_vault else [MAIN, TRAVEL]))
        made.theirs.put_place(place(VAULT))
        surveyor = Surveyor(made.context)
        for step in steps:
            step(made, surveyor)
            assert told(made) == expected(made)


def test_rolls_that_were_never_sent_are_not_looked_at_file_by_file(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with world() as made:
        well(made, MAIN, TRAVEL)
        assert told(made) == []  # no bucket wants anything where there is none
        made.theirs.put_place(place(VAULT))
        wanted = expected(made)
        assert [size for _, size in wanted] == [10, 15, 10]
        monkeypatch.delattr(SqliteCatalog, "facts_of_roll")
        assert told(made) == wanted


def test_a_roll_of_which_a_part_is_there_is_looked_at() -> None:
    with world() as made:
        well(made, MAIN, TRAVEL)
        made.theirs.put_place(place(VAULT))
        made.theirs.record(facts=proofs_of(ROLLS[1], VAULT)[:1])
        assert told(made) == expected(made)
        assert dict(told(made))[ROLLS[1].head.id] == 10


def test_of_a_roll_that_is_there_no_fact_is_asked_however_old_its_proofs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Seen: 3,500 rolls of which a file each was not sent yet took eight seconds of a report."""
    with world() as made:
        well(made)
        made.clock.at += 4000 * DAY
        (need,) = {need.gaps for need in made.by_brute_force()}
        assert Role.CLOUD in need
        assert told(made) == expected(made) == []
        asked: list[Blake3] = []
        real = SqliteCatalog.facts_of

        def noting(catalog: SqliteCatalog, contents: Iterable[Blake3]) -> Iterator[Fact]:
            wanted = list(contents)
            asked.extend(wanted)
            return real(catalog, wanted)

        monkeypatch.setattr(SqliteCatalog, "facts_of", noting)
        assert told(made) == []
        assert asked == []
        gone = replace(proofs_of(ROLLS[1], VAULT, NOW + DAY)[0], result=Result.MISSING)
        made.theirs.record(facts=[gone])
        assert told(made) == expected(made) == [(ROLLS[1].head.id, 5)]
        assert set(asked) == {gone.content}


def test_what_was_missing_and_came_back_is_not_sent_again() -> None:
    with world() as made:
        well(made)
        made.clock.at += 4000 * DAY
        first = proofs_of(ROLLS[1], VAULT, NOW + DAY)[0]
        gone = replace(first, result=Result.MISSING)
        made.theirs.record(facts=[gone, replace(first, at=NOW + 2 * DAY)])
        assert told(made) == expected(made) == []
