"""The sieve names every roll that core finds wanting: it may name too many, never too few."""

import tempfile
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.model import CopyState, Fact, PlaceKind, Result, RollId, Way
from backupkeeper.core.policy import Policy, copy_of
from tests.catalog.made import MAIN, NOW, SECOND, Watch, fact, name_of, place, roll

SECOND_ROLL = "260612 Boatyard/Originals/Wide/Roll 02"
DAY = timedelta(days=1)
SINCE = NOW - 30 * DAY
POLICY = Policy(drive_proof_age=30 * DAY, attested_age=30 * DAY, downloaded_age=30 * DAY)
NAMED = frozenset({RollId("roll")})
NOT_NAMED: frozenset[RollId] = frozenset()

OLD, YOUNG, LATER = NOW - 40 * DAY, NOW - 20 * DAY, NOW - 10 * DAY
WRITTEN = fact(way=Way.WRITTEN, cold=False, at=OLD)
PROOF = fact(way=Way.REHASH, at=YOUNG)
ATTESTED = fact(way=Way.ATTESTED, cold=False, at=OLD, version="v1")
LOOK = fact(way=Way.LOOKED, cold=False, at=LATER, version="v1")

CASES: dict[str, tuple[list[Fact], frozenset[RollId]]] = {
    "no fact at all": ([], NAMED),
    "only written": ([WRITTEN], NAMED),
    "a cold proof, young enough": ([WRITTEN, PROOF], NOT_NAMED),
    "a warm read": ([WRITTEN, replace(PROOF, cold=False)], NAMED),
    "a proof that is too old": ([replace(PROOF, at=OLD)], NAMED),
    "a proof exactly as old as allowed": ([replace(PROOF, at=SINCE)], NOT_NAMED),
    "a proof from a clock that ran a week ahead": ([replace(PROOF, at=NOW + 7 * DAY)], NAMED),
    "damaged, and a proof from a clock that ran an hour ahead": (
        [replace(PROOF, at=NOW + DAY / 24), replace(PROOF, at=LATER, result=Result.DAMAGED)],
        NAMED,
    ),
    "proven elsewhere only": ([replace(PROOF, place=SECOND)], NAMED),
    "proven, then damaged": ([PROOF, replace(PROOF, at=LATER, result=Result.DAMAGED)], NAMED),
    "damaged, then proven": ([replace(PROOF, at=OLD, result=Result.DAMAGED), PROOF], NOT_NAMED),
    "proven and damaged at one instant": ([PROOF, replace(PROOF, result=Result.DAMAGED)], NAMED),
    "proven, then gone": (
        [PROOF, replace(LOOK, version=None, result=Result.MISSING)],
        NAMED,
    ),
    "proven, then written anew": ([PROOF, replace(WRITTEN, at=LATER)], NAMED),
    "written and proven at one instant": ([PROOF, replace(WRITTEN, at=YOUNG)], NOT_NAMED),
    "attested, young": ([replace(ATTESTED, at=YOUNG)], NOT_NAMED),
    "attested long ago": ([ATTESTED], NAMED),
    "attested long ago, looked at since": ([ATTESTED, LOOK], NOT_NAMED),
    "attested long ago, another version since": ([ATTESTED, replace(LOOK, version="v2")], NAMED),
    "attested, young, then another version was seen": (
        [replace(ATTESTED, at=YOUNG), replace(LOOK, version="v2")],
        NAMED,
    ),
    "attested, looked at, and later attested as another version": (
        [ATTESTED, LOOK, replace(ATTESTED, at=LATER + DAY, version="v2"), replace(LOOK, at=NOW)],
        NAMED,
    ),
    "looked at before it was attested, long ago": (
        [replace(LOOK, at=SINCE), replace(ATTESTED, at=SINCE - DAY), replace(WRITTEN, at=SINCE)],
        NAMED,
    ),
    "a young proof and a look from a clock that ran ahead": (
        [replace(ATTESTED, at=YOUNG), replace(LOOK, at=NOW + 7 * DAY)],
        NAMED,
    ),
    "a look alone": ([LOOK], NAMED),
    "a look never keeps a drive's proof young": (
        [replace(PROOF, at=OLD), replace(LOOK, version=None)],
        NAMED,
    ),
    "attested, downloaded long ago, looked at": (
        [ATTESTED, replace(ATTESTED, way=Way.DOWNLOADED, at=OLD + DAY), LOOK],
        NAMED,
    ),
    "downloaded": ([replace(PROOF, way=Way.DOWNLOADED, cold=False)], NOT_NAMED),
}


@pytest.mark.parametrize("case", CASES)
def test_a_roll_is_named(catalog: SqliteCatalog, case: str) -> None:
    facts, named = CASES[case]
    catalog.seal(roll([1]))
    catalog.record(facts=facts)
    assert catalog.not_plainly_proven(MAIN, SINCE) == named


def test_a_roll_without_files_is_named(catalog: SqliteCatalog) -> None:
    catalog.seal(roll([]))
    assert catalog.not_plainly_proven(MAIN, SINCE) == NAMED


def test_one_file_of_many_that_is_wanting_names_its_roll_and_no_other(
    catalog: SqliteCatalog,
) -> None:
    catalog.seal(roll([1, 2, 3]))
    catalog.seal(roll([4], ident="other", name="Roll 02"))
    catalog.record(facts=[replace(PROOF, content=name_of(n)) for n in (1, 3)])
    catalog.record(facts=[replace(PROOF, content=name_of(4), path=f"{SECOND_ROLL}/a")])
    assert catalog.not_plainly_proven(MAIN, SINCE) == NAMED


def test_a_sidecar_that_stands_only_in_another_rolls_folder_names_the_roll(
    catalog: SqliteCatalog,
) -> None:
    catalog.seal(roll([1]))
    catalog.seal(roll([1, 2], ident="other", name="Roll 02"))
    catalog.record(facts=[PROOF])
    catalog.record(facts=[replace(PROOF, content=name_of(2), path=f"{SECOND_ROLL}/b")])
    assert catalog.not_plainly_proven(MAIN, SINCE) == {RollId("other")}
    catalog.record(facts=[replace(PROOF, path=f"{SECOND_ROLL}/a")])
    assert catalog.not_plainly_proven(MAIN, SINCE) == NOT_NAMED


def test_a_roll_with_one_content_twice_is_named_until_both_files_stand(
    catalog: SqliteCatalog,
) -> None:
    catalog.seal(roll([1, 1]))
    catalog.record(facts=[PROOF])
    assert catalog.not_plainly_proven(MAIN, SINCE) == NAMED
    catalog.record(facts=[replace(PROOF, path=f"{PROOF.path} too")])
    assert catalog.not_plainly_proven(MAIN, SINCE) == NOT_NAMED


ways = st.sampled_from(Way)
days = st.sampled_from([-45, -40, -31, -30, -29, -20, -10, -1, 0, 0.5, 3])
small_facts = st.lists(
    st.builds(
        fact,
        way=ways,
        result=st.sampled_from([*[Result.MATCHES] * 6, *Result]),
        cold=st.booleans(),
        at=days.map(lambda n: NOW + n * DAY),
        version=st.sampled_from(["v1", "v1", "v2"]),
        path=st.sampled_from(["a", "a", "b"]),
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=300, deadline=None)
@given(facts=small_facts)
def test_what_core_does_not_call_proven_is_always_named(facts: list[Fact]) -> None:
    where = place(kind=PlaceKind.BUCKET)
    by_path = {path: [one for one in facts if one.path == path] for path in ("a", "b")}
    states = {copy_of(some, where, POLICY, NOW).state for some in by_path.values() if some}
    with (
        tempfile.TemporaryDirectory() as folder,
        closing(open_catalog(f"{folder}/catalog.sqlite", clock=Watch())) as catalog,
    ):
        catalog.seal(roll([1]))
        catalog.record(facts=facts)
        named = catalog.not_plainly_proven(MAIN, SINCE)
    if states != {CopyState.PROVEN}:
        assert named == NAMED, states
