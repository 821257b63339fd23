"""Needs told from sums, case by case: which are, which take a look at every file, and what is kept."""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest

from backupkeeper.actions.sample_budget import sampling_now
from backupkeeper.actions.survey import Surveyor
from backupkeeper.core.model import Fact, PlaceId, Result, Way
from backupkeeper.core.sampling import NO_SAMPLING
from tests.actions.in_sum_world import (
    BIG,
    LOST_NAME,
    as_told,
    by_brute_force,
    looked_at,
    seal,
    spread,
    with_sample,
)
from tests.actions.survey_world import (
    DAY,
    MAIN,
    ROLES,
    SPARE,
    TRAVEL,
    VAULT,
    place,
    proofs_of,
    well,
    world,
)
from tests.catalog.made import NOW

LATER = 100 * DAY
CASES: Mapping[str, tuple[list[Fact], bool]] = {
    "nothing is known of it": ([], True),
    "all was written": (spread(MAIN, DAY, way=Way.WRITTEN, cold=False, mount=None), True),
    "proofs that are old": (spread(MAIN, timedelta(seconds=2)), True),
    "proofs that are old by now, and some that are not": (spread(MAIN, 4 * DAY), True),
    "attested, and looked at": (
        [*spread(VAULT, DAY), *spread(VAULT, DAY, way=Way.LOOKED)],
        True,
    ),
    "attested, fetched back, looked at since": (
        [
            *spread(VAULT, timedelta(0)),
            *(replace(one, at=one.at + 20 * DAY) for one in spread(VAULT, DAY, way=Way.DOWNLOADED)),
            *(replace(one, at=one.at + 60 * DAY) for one in spread(VAULT, DAY, way=Way.LOOKED)),
        ],
        True,
    ),
    "attested, looked at, some fetched back before that and some since": (
        [
            *spread(VAULT, timedelta(0)),
            *(replace(one, at=one.at + 20 * DAY) for one in spread(VAULT, DAY, way=Way.DOWNLOADED)),
            *(replace(one, at=NOW + 25 * DAY) for one in spread(VAULT, DAY, way=Way.LOOKED)),
        ],
        True,
    ),
    "fetched back": (spread(VAULT, DAY, way=Way.DOWNLOADED), True),
    "one is damaged": ([*spread(MAIN, DAY), *spread(MAIN, DAY, result=Result.DAMAGED)[:1]], True),
    "one is damaged beside others read that day": (
        [
            *spread(MAIN, timedelta(0)),
            *(replace(one, result=Result.DAMAGED) for one in spread(MAIN, DAY)[1:2]),
        ],
        True,
    ),
    "one is missing": (
        [*spread(MAIN, timedelta(0)), *spread(MAIN, DAY, result=Result.MISSING)[1:2]],
        True,
    ),
    "some also lie elsewhere": (
        [
            *spread(MAIN, timedelta(0)),
            *(replace(one, path="Old/C.MP4") for one in spread(MAIN, timedelta(0))[:1]),
        ],
        True,
    ),
    "all lie elsewhere": (
        [
            replace(one, path=f"Old/{number}")
            for number, one in enumerate(spread(MAIN, timedelta(0)))
        ],
        False,
    ),
    "one lies in its folder under another name": (
        [
            *spread(MAIN, timedelta(0)),
            replace(proofs_of(BIG, MAIN)[0], path=f"{BIG.head.folder}/copy of C0000.MP4"),
        ],
        False,
    ),
    "one that is damaged lies in its folder under another name": (
        [
            *spread(MAIN, timedelta(0)),
            replace(
                proofs_of(BIG, MAIN, result=Result.DAMAGED)[0],
                path=f"{BIG.head.folder}/copy of C0000.MP4",
            ),
        ],
        False,
    ),
    "some is of the future": (spread(MAIN, 10 * DAY), False),
    "a place nobody knows has it": (
        [*spread(MAIN, timedelta(0)), *spread(PlaceId("other"), DAY)],
        True,
    ),
    "read from the cache, in another mount": (
        spread(MAIN, timedelta(0), cold=False, mount="boot:7"),
        False,
    ),
    "read from the cache, on a drive that is not here": (
        spread(SPARE, timedelta(0), cold=False, mount="boot:7"),
        True,
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_files_are_looked_at_one_by_one_only_where_sums_cannot_say_it(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    facts, is_told = CASES[case]
    with world(with_sample("bucket_sample_percent = 0")) as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        seal(made)
        made.theirs.record(facts=facts)
        made.clock.at = NOW + LATER
        expected = by_brute_force(made, NO_SAMPLING)
        looked = looked_at(monkeypatch)
        surveyor = Surveyor(made.context)
        assert surveyor.survey({MAIN: "boot:1"}) == tuple(expected.values())
        assert looked == ([] if is_told else [BIG.head.id])


def test_a_drive_that_comes_makes_a_difference_where_something_was_read_from_the_cache() -> None:
    with world() as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        seal(made)
        made.theirs.record(facts=spread(SPARE, timedelta(0), cold=False, mount="boot:7"))
        surveyor = Surveyor(made.context)
        (away,) = surveyor.survey({})
        (here,) = surveyor.survey({SPARE: "boot:7"})
        (again,) = surveyor.survey({SPARE: "boot:8"})
        assert not away.at[SPARE].vain
        assert here.at[SPARE].vain
        assert not again.at[SPARE].vain


def test_names_that_a_drive_may_have_changed_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    with world(with_sample("bucket_sample_percent = 0")) as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        made.theirs.seal(LOST_NAME)
        for at in (MAIN, TRAVEL):
            made.theirs.record(facts=proofs_of(LOST_NAME, at))
        made.theirs.record(facts=proofs_of(LOST_NAME, MAIN, result=Result.DAMAGED)[:1])
        expected = by_brute_force(made, NO_SAMPLING)
        looked = looked_at(monkeypatch)
        assert Surveyor(made.context).survey({}) == tuple(expected.values())
        assert looked == [LOST_NAME.head.id]


@pytest.mark.parametrize(
    "fetched", [[], spread(VAULT, timedelta(0), way=Way.DOWNLOADED)[:4]], ids=["none", "some"]
)
def test_the_sample_is_told_without_looking_at_all_files(
    fetched: list[Fact], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sent long ago, kept young by looks; every file has its turn once a year."""
    with world(with_sample("bucket_sample_percent = 100")) as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        seal(made)
        made.theirs.record(facts=spread(VAULT, timedelta(0)))
        made.theirs.record(facts=[replace(one, at=NOW + 100 * DAY) for one in fetched])
        made.clock.at = NOW + 200 * DAY
        looks = spread(VAULT, timedelta(0), way=Way.LOOKED)
        made.theirs.record(facts=[replace(one, at=made.clock.at) for one in looks])
        expected = by_brute_force(made, sampling_now(made.context))
        assert 0 < expected[BIG.head.id].at[VAULT].ageing_files < 12
        looked = looked_at(monkeypatch)
        assert Surveyor(made.context).survey({}) == tuple(expected.values())
        assert looked == []


def test_what_was_drawn_is_kept_until_its_turn_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    with world(with_sample("bucket_sample_percent = 100")) as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        seal(made)
        made.theirs.record(facts=spread(VAULT, timedelta(0)))
        expected = Surveyor(made.context).survey({})

        def turns() -> list[tuple[str, int]]:
            with closing(sqlite3.connect(made.mine._path)) as connection:
                return connection.execute(
                    "SELECT turn, count(*) FROM drawn GROUP BY turn"
                ).fetchall()

        assert turns() == [("100.0 % in 2025", 1), ("100.0 % in 2026", 1)]
        with closing(sqlite3.connect(made.mine._path)) as connection:
            connection.execute("UPDATE drawn SET said = '[[1, 2' WHERE turn LIKE '%2026'")
            connection.commit()
        assert Surveyor(made.context).survey({}) == expected, "what can't be read is drawn anew"
        with monkeypatch.context() as patched:
            patched.setattr("backupkeeper.catalog.drawn.draw_some", None)  # nothing has to be drawn
            assert Surveyor(made.context).survey({}) == expected
        made.clock.at = NOW + 366 * DAY
        Surveyor(made.context).survey({})
        assert turns() == [("100.0 % in 2026", 1), ("100.0 % in 2027", 1)]
        with made.theirs.transaction():
            made.clock.at = NOW + 2 * 366 * DAY
            as_told(made, Surveyor(made.context).survey({}))
        assert turns() == [("100.0 % in 2026", 1), ("100.0 % in 2027", 1)], "another one wrote"
        with closing(sqlite3.connect(made.mine._path)) as connection:
            connection.execute(
                "DELETE FROM roll_files WHERE path = (SELECT min(path) FROM roll_files)"
            )
            connection.commit()
        assert turns() == []


def test_of_many_rolls_the_turns_are_drawn_step_by_step(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("backupkeeper.catalog.drawn.FILES_AT_ONCE", 0)
    with world(with_sample("bucket_sample_percent = 100")) as made:
        well(made, MAIN, VAULT)
        made.clock.at = NOW + 200 * DAY
        as_told(made, Surveyor(made.context).survey({}))
        with closing(sqlite3.connect(made.mine._path)) as connection:
            assert connection.execute("SELECT count(*) FROM drawn").fetchone() == (6,)
