"""What a person said of a place: the last word counts, whatever a machine described since."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.catalog.foreign_rows import event_is_fine
from backupkeeper.catalog.snapshot import snapshot_mark
from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.model import Standing, Way
from tests.catalog.foreign_made import make, says
from tests.catalog.made import MAIN, NOW, SECOND, Watch, content, fact, place
from tests.catalog.test_merge_laws import union

DAY = timedelta(days=1)


def stands(path: Path) -> dict[str, Standing]:
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        return {one.name: one.standing for one in catalog.places()}


@pytest.fixture(name="path")
def _path(tmp_path: Path) -> Path:
    return make(tmp_path / "ours", places=[(place(MAIN, name="Main"), 1)])


def test_a_lost_place_is_not_brought_back_by_describing_it(path: Path) -> None:
    watch = Watch()
    with closing(open_catalog(str(path), clock=watch)) as catalog:
        (before,) = catalog.places()
        assert catalog.stand(MAIN, Standing.LOST) == watch.at
        watch.at += timedelta(hours=1)
        catalog.put_place(replace(before, location="/elsewhere"))
        (after,) = catalog.places()
    assert (after.standing, after.location) == (Standing.LOST, "/elsewhere")
    assert after.counts_from is None


def test_nor_by_a_machine_that_did_not_know_it(path: Path, tmp_path: Path) -> None:
    """Its description is newer, but nobody said there that the drive is back."""
    other = make(tmp_path / "other", places=[(place(MAIN, name="Main", location="/b"), 30)])
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        catalog.stand(MAIN, Standing.LOST)
    assert stands(union(tmp_path, path, other)) == {"Main": Standing.LOST}
    again = make(tmp_path / "again", places=[(place(MAIN, name="Main", location="/b"), 30)])
    assert stands(union(tmp_path, again, path)) == {"Main": Standing.LOST}


def test_a_word_comes_after_every_earlier_one_whatever_the_clock_says(path: Path) -> None:
    watch = Watch()
    with closing(open_catalog(str(path), clock=watch)) as catalog:
        watch.at = NOW + timedelta(days=9)  # a clock that ran ahead
        lost = catalog.stand(MAIN, Standing.LOST)
        watch.at = NOW
        back = catalog.stand(MAIN, Standing.ACTIVE)
        assert back == lost + timedelta(microseconds=1)
        (one,) = catalog.places()
        assert (one.standing, one.counts_from) == (Standing.ACTIVE, back)


def test_only_the_last_time_it_came_back_counts_and_other_places_are_left_alone(
    path: Path,
) -> None:
    watch = Watch()
    last = NOW
    with closing(open_catalog(str(path), clock=watch)) as catalog:
        catalog.put_place(place(SECOND, name="Travel"))
        for standing in (Standing.LOST, Standing.ACTIVE, Standing.RETIRED, Standing.ACTIVE):
            watch.at += timedelta(hours=1)
            last = catalog.stand(MAIN, standing)
        found = {one.name: one for one in catalog.places()}
    assert found["Main"].counts_from == last
    assert (found["Travel"].standing, found["Travel"].counts_from) == (Standing.ACTIVE, None)


def test_the_change_mark_and_a_snapshots_mark_notice_it(path: Path) -> None:
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        marks, snapshots = [catalog.change_mark()], [snapshot_mark(str(path)).text]
        for standing in (Standing.LOST, Standing.ACTIVE, Standing.LOST, Standing.ACTIVE):
            catalog.stand(MAIN, standing)
            marks.append(catalog.change_mark())
            snapshots.append(snapshot_mark(str(path)).text)
    assert len(set(marks)) == 5
    assert len(set(snapshots)) == 5


def test_a_word_on_a_place_that_is_not_described_waits_for_it(tmp_path: Path) -> None:
    first = make(tmp_path / "first", stood=[(SECOND, Standing.LOST, 2)])
    assert stands(first) == {}
    with closing(open_catalog(str(first), clock=Watch())) as catalog:
        catalog.put_place(place(SECOND, name="Travel"))
    assert stands(first) == {"Travel": Standing.LOST}


def test_words_that_nobody_says_are_not_taken_over(tmp_path: Path) -> None:
    assert event_is_fine("stood", b"main", 0, b"lost")
    assert not event_is_fine("stood", b"main", 0, b"stolen")
    path = make(tmp_path / "one", places=[(place(MAIN, name="Main"), 1)])
    bad = make(tmp_path / "bad")
    with closing(sqlite3.connect(bad)) as connection:
        connection.execute(
            "INSERT INTO events VALUES ('stood', ?, 9, x'676f6e65')", (MAIN.encode(),)
        )
        connection.commit()
    after = union(tmp_path, path, bad)
    assert says(after)["events"] == set()
    assert stands(after) == {"Main": Standing.ACTIVE}


def test_counts_and_ages_of_proofs_leave_out_what_was_shown_before(path: Path) -> None:
    watch = Watch()
    with closing(open_catalog(str(path), clock=watch)) as catalog:
        catalog.record(
            contents=[content(1), content(2)],
            facts=[
                fact(seed, at=NOW, place=MAIN, path=f"{seed}", way=Way.READBACK, cold=True)
                for seed in (1, 2)
            ],
        )
        assert catalog.tallies(NOW + DAY, [], None).places[MAIN].last_proven == NOW
        assert sum(load.files for load in catalog.proof_ages(MAIN)) == 2
        watch.at = NOW + DAY
        catalog.stand(MAIN, Standing.LOST)
        back = catalog.stand(MAIN, Standing.ACTIVE)
        told = catalog.tallies(NOW + 3 * DAY, [], None)
        assert told.places[MAIN].last_proven is None
        assert [(one.bin, one.files) for one in told.ages] == [(None, 2)]
        assert catalog.proof_ages(MAIN) == ()
        again = fact(1, at=back, place=MAIN, path="1", way=Way.REHASH, cold=True)
        catalog.record(facts=[again])
        told = catalog.tallies(NOW + 3 * DAY, [], None)
        assert (told.places[MAIN].last_proven, told.places[MAIN].oldest_proof) == (back, back)
        assert sum(load.files for load in catalog.proof_ages(MAIN)) == 1
