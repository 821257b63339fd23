"""Facts let go from a real catalog: what the rule names and nothing else, in steps that may be cut short."""

import os
import signal
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from backupkeeper.catalog import thinning
from backupkeeper.catalog.snapshot import snapshot_mark
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.model import Fact, Result, Way
from backupkeeper.core.thinning import spare
from tests.catalog.foreign_made import make, merged, true_roll
from tests.catalog.made import Watch, content, fact as made_fact
from tests.core.made_up_lives import BUCKET, DRIVE, NOW, ONE, OTHER, fact, lives

DAY = timedelta(days=1)


def years(number: int, *, files: int = 4, bad_at: Sequence[int] = ()) -> list[Fact]:
    """So many proofs of each of some files, one in hundred days, the last two years ago."""
    found = []
    for file in range(files):
        for nth in range(number):
            result = Result.DAMAGED if nth in bad_at else Result.MATCHES
            found.append(made_fact(file, at=NOW - (730 + 100 * nth) * DAY, way=Way.REHASH, path=f"r/{file}", result=result))  # fmt: skip
    return found


def catalog_of(path: Path, facts: Sequence[Fact]) -> SqliteCatalog:
    catalog = open_catalog(str(path), clock=Watch(at=NOW), patience_s=30)
    catalog.record(facts=facts)
    return catalog


def every_fact(catalog: SqliteCatalog) -> set[Fact]:
    with catalog._asking() as connection:
        ids = [row[0] for row in connection.execute("SELECT id FROM place_ids")]
    return {one for ident in ids for one in catalog.facts_at(ident)}


def counts(path: Path) -> tuple[int, int]:
    """Facts that are there, and those that went."""
    with closing(sqlite3.connect(path)) as connection:
        (there,) = connection.execute("SELECT count(*) FROM facts").fetchone()
        (gone,) = connection.execute("SELECT facts FROM thinned").fetchone()
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    return there, gone


@pytest.fixture(params=[(2000, 5000), (3, 1), (1, 2)], ids=str)
def _steps(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """As large as they are, and as small as can be: paths with several contents lie over their ends."""
    monkeypatch.setattr(thinning, "COPIES_LOOKED_AT", request.param[0])
    monkeypatch.setattr(thinning, "FACTS_AT_ONCE", request.param[1])


@pytest.mark.usefixtures("_steps")
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(st.lists(st.tuples(st.sampled_from(["a", "a/b", "b", "\udcff"]), lives()), max_size=5))
def test_what_the_rule_names_goes_and_nothing_else(
    tmp_path: Path, several: list[tuple[str, frozenset[Fact]]]
) -> None:
    facts = {replace(one, path=path) for path, some in several for one in some}
    path = tmp_path / "catalog.sqlite"
    path.unlink(missing_ok=True)
    with closing(catalog_of(path, sorted(facts, key=repr))) as catalog:
        gone = list(catalog.thin_facts(NOW))
        with catalog._asking() as connection:
            (copies,) = connection.execute("SELECT count(*) FROM copies").fetchone()
        assert every_fact(catalog) == facts - set(spare(facts, NOW))
        assert sum(step.copies for step in gone) == copies
        assert sum(step.facts for step in gone) == len(facts) - len(every_fact(catalog))
        assert sum(step.facts for step in catalog.thin_facts(NOW)) == 0
    assert counts(path)[1] == sum(step.facts for step in gone)


def test_a_step_ends_only_behind_all_contents_of_a_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The damage stands with another content of the same path."""
    monkeypatch.setattr(thinning, "COPIES_LOOKED_AT", 1)
    good = [fact(days) for days in (900, 850, 800, 700, 650, 600)]
    bad = fact(750, result=Result.DAMAGED, content=OTHER)
    with closing(catalog_of(tmp_path / "catalog.sqlite", [bad, *good])) as catalog:
        assert sum(step.facts for step in catalog.thin_facts(NOW)) == 2
        assert every_fact(catalog) == {bad, *good} - {good[1], good[4]}


def test_what_is_recorded_between_two_looks_at_a_path_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sieved first, decided with all that is known then."""
    path = tmp_path / "catalog.sqlite"
    with closing(catalog_of(path, [fact(days) for days in (900, 800, 700)])) as catalog:
        steps = catalog.thin_facts(NOW)
        assert next(steps).copies == 1
        with closing(open_catalog(str(path), clock=Watch(at=NOW))) as other:
            other.record(facts=[fact(790, result=Result.MISSING, content=OTHER)])
        assert list(steps) == []
    assert counts(path) == (4, 0)


def test_what_is_recorded_between_the_decision_and_the_lock_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, decide = tmp_path / "catalog.sqlite", thinning._spare
    good = [fact(days) for days in (900, 850, 800, 700, 650, 600)]
    bad = fact(750, result=Result.MISSING, content=OTHER)

    def then_record(*asked: Any) -> Any:
        gone = decide(*asked)
        with closing(open_catalog(str(path), clock=Watch(at=NOW))) as other:
            if bad not in every_fact(other):
                other.record(facts=[bad])
        return gone

    monkeypatch.setattr(thinning, "_spare", then_record)
    with closing(catalog_of(path, good)) as catalog:
        assert sum(step.facts for step in catalog.thin_facts(NOW)) == 2
        assert every_fact(catalog) == {bad, *good} - {good[1], good[4]}


def sums(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT roll, stamp, said FROM sums ORDER BY roll").fetchall()


def test_sums_stay_stamps_and_all_and_are_those_of_what_is_left(tmp_path: Path) -> None:
    path = tmp_path / "catalog.sqlite"
    with closing(catalog_of(path, years(9))) as catalog:
        catalog.seal(true_roll(range(3)))
        catalog.seal(true_roll(range(2, 4), name="Roll 02"))
        kept = catalog.roll_sums()
        before = sums(path)
        assert len(before) == 2
        assert sum(step.facts for step in catalog.thin_facts(NOW)) == 4 * 7
        assert sums(path) == before
        assert catalog.roll_sums() == kept
        with catalog._writing() as connection:
            connection.execute("DELETE FROM sums")
        anew = catalog.roll_sums()
        assert [replace(one, stamp=0) for one in anew.values()] == [replace(one, stamp=0) for one in kept.values()]  # fmt: skip


def test_where_no_sums_stand_none_are_made(tmp_path: Path) -> None:
    path = tmp_path / "catalog.sqlite"
    with closing(catalog_of(path, years(9))) as catalog:
        catalog.seal(true_roll(range(3)))
        list(catalog.thin_facts(NOW))
        assert sums(path) == []


@pytest.fixture
def _small(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(thinning, "COPIES_LOOKED_AT", 5)
    monkeypatch.setattr(thinning, "FACTS_AT_ONCE", 20)
    return iter([None])


@pytest.mark.usefixtures("_small")
@pytest.mark.parametrize("at", range(1, 60, 4))
def test_killed_at_any_statement_it_is_right_and_goes_on(tmp_path: Path, at: int) -> None:
    """A real process, killed by SQLite's own trace before its nth statement."""
    path = tmp_path / "catalog.sqlite"
    facts = set(years(9, files=12, bad_at=[4]))
    with closing(catalog_of(path, sorted(facts, key=repr))) as catalog:
        catalog.seal(true_roll(range(12)))
        catalog.roll_sums()
    before, whole = sums(path), facts - set(spare(facts, NOW))
    child = os.fork()
    if child == 0:  # pragma: no cover - it is killed
        other, left = open_catalog(str(path), clock=Watch(at=NOW)), iter(range(at - 1))
        with other._asking() as connection:
            connection.set_trace_callback(
                lambda _said: (
                    os.kill(os.getpid(), signal.SIGKILL) if next(left, None) is None else None
                )
            )
        list(other.thin_facts(NOW))
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == -signal.SIGKILL, "it ended before it was killed"
    there, gone = counts(path)
    assert there + gone == len(facts)
    assert sums(path) == before
    with closing(open_catalog(str(path), clock=Watch(at=NOW))) as catalog:
        assert whole <= every_fact(catalog)
        list(catalog.thin_facts(NOW))
        assert every_fact(catalog) == whole
    assert counts(path) == (len(whole), len(facts) - len(whole))


def test_the_mark_for_snapshots_stands_and_what_comes_back_is_thinned_again(tmp_path: Path) -> None:
    path = tmp_path / "catalog.sqlite"
    facts = years(9)
    other = make(tmp_path / "other.sqlite", facts=facts)
    with closing(catalog_of(path, facts)) as catalog:
        first = snapshot_mark(str(path)).text
        list(catalog.thin_facts(NOW))
        assert counts(path) == (8, 28)
        assert snapshot_mark(str(path)).text == first
        # As many new ones as went: their number alone would say that nothing is new.
        catalog.record(facts=[fact(n, path="new") for n in range(28)])
        second = snapshot_mark(str(path)).text
        assert second != first
    merged(path, other, tmp_path / "scratch")
    third = snapshot_mark(str(path)).text
    assert third != second
    with closing(open_catalog(str(path), clock=Watch(at=NOW))) as catalog:
        assert counts(path)[0] == 8 + 28 + 28
        list(catalog.thin_facts(NOW))
    assert counts(path)[0] == 8 + 28
    assert snapshot_mark(str(path)).text == third


def test_thinned_on_one_machine_the_other_hears_nothing_new(tmp_path: Path) -> None:
    path, other = tmp_path / "catalog.sqlite", make(tmp_path / "other.sqlite", facts=years(9))
    with closing(catalog_of(path, years(9))) as catalog:
        list(catalog.thin_facts(NOW))
    before = snapshot_mark(str(other)).text
    merged(other, path, tmp_path / "scratch")
    assert snapshot_mark(str(other)).text == before


def test_what_went_is_counted_by_each_catalog_for_itself(tmp_path: Path) -> None:
    path, other = tmp_path / "catalog.sqlite", make(tmp_path / "other.sqlite")
    with closing(catalog_of(path, years(9))) as catalog:
        list(catalog.thin_facts(NOW))
    merged(other, path, tmp_path / "scratch")
    assert counts(other) == (8, 0)


def test_the_room_is_used_again(tmp_path: Path) -> None:
    path = tmp_path / "catalog.sqlite"
    with closing(catalog_of(path, years(40, files=200))) as catalog:
        before = pages(path)
        list(catalog.thin_facts(NOW))
        assert pages(path) == before, "the file does not shrink"
        catalog.record(facts=years(40, files=200))
        assert pages(path) <= before + 2


def pages(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        (count,) = connection.execute("PRAGMA page_count").fetchone()
    return int(count)


@pytest.mark.usefixtures("_small")
def test_others_write_meanwhile_and_nothing_of_theirs_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "catalog.sqlite"
    done = threading.Event()

    def write() -> None:
        with closing(open_catalog(str(path), clock=Watch(at=NOW), patience_s=30)) as other:
            for number in range(30):
                one = fact(750, path=f"r/{number}", result=Result.DAMAGED, content=content(number).blake3)  # fmt: skip
                other.record(contents=[content(number)], facts=[one])
        done.set()

    with closing(catalog_of(path, years(9, files=30))) as catalog:
        writer = threading.Thread(target=write)
        writer.start()
        while not done.is_set():
            list(catalog.thin_facts(NOW))
        writer.join()
        list(catalog.thin_facts(NOW))
        left = every_fact(catalog)
    assert sum(one.result is Result.DAMAGED for one in left) == 30
    assert left == left - set(spare(left, NOW))


def test_facts_of_several_places_and_contents_are_told_apart(tmp_path: Path) -> None:
    looks = [fact(days, Way.LOOKED, place=BUCKET, version="v1") for days in (900, 800, 700)]
    sent = fact(950, Way.ATTESTED, place=BUCKET, version="v1")
    read = [fact(days, content=which) for days, which in ((900, ONE), (800, OTHER), (700, ONE), (600, ONE))]  # fmt: skip
    with closing(catalog_of(tmp_path / "catalog.sqlite", [sent, *looks, *read])) as catalog:
        list(catalog.thin_facts(NOW))
        assert every_fact(catalog) == {sent, looks[0], looks[2], read[0], read[1], read[3]}
        assert {one.place for one in every_fact(catalog)} == {BUCKET, DRIVE}


@pytest.mark.parametrize(("at_once", "steps"), [(5000, 1), (18, 2), (17, 4), (1, 4)])
def test_a_step_is_as_large_as_what_it_may_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int, steps: int
) -> None:
    """An object that was looked at for years has a hundred facts, a file on a drive a few."""
    monkeypatch.setattr(thinning, "FACTS_AT_ONCE", at_once)
    with closing(catalog_of(tmp_path / "catalog.sqlite", years(9))) as catalog:
        went = [step.facts for step in catalog.thin_facts(NOW) if not step.copies]
    assert went == [28 // steps] * steps
