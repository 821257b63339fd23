"""A catalog of the second schema becomes one of the third; what only the third can hold and ask."""

import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.catalog import opening
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import CatalogError
from backupkeeper.core.model import Event, EventKind, Fact, Result, RollId, Way
from backupkeeper.core.scrub import Load
from tests.catalog.made import (
    BUCKET,
    MAIN,
    NOW,
    SECOND,
    Watch,
    content,
    fact,
    place,
    put_place_as_before,
    record_as_before,
    roll,
)

ROOT = os.path.join(os.path.dirname(__file__), "..", "..")
STEP = timedelta(minutes=5)
HOUR, DAY, TICK = timedelta(hours=1), timedelta(days=1), timedelta(microseconds=1)
FACTS = [fact(n, path=str(n)) for n in range(50)]
EVENT = Event(at=NOW, kind=EventKind.MOVED, subject="prove|main", detail="5 1.0")
NEW = [
    fact(1, path="1", at=NOW + DAY, way=Way.REHASH, result=Result.CUT_OFF, damage=((3, 5),)),
    fact(2, path="2", at=NOW + DAY, way=Way.REHASH, result=Result.UNSTABLE, damage=((0, 5),)),
    fact(3, path="3", at=NOW + DAY, way=Way.PART, damage=((4, 5),), note="its time: 7"),
]
ROT = {Result.DAMAGED, Result.UNREADABLE, Result.CUT_OFF, Result.UNSTABLE}
OPEN = """
import sys
from backupkeeper.catalog.store import open_catalog
from tests.catalog.made import Watch
open_catalog(sys.argv[1], clock=Watch()).close()
"""


def opened_by_the_second(file: str, monkeypatch: pytest.MonkeyPatch) -> SqliteCatalog:
    """As the program opened it when there was no third schema."""
    known = opening.scripts()
    with monkeypatch.context() as before:
        before.setattr(opening, "scripts", lambda: {1: known[1], 2: known[2]})
        return open_catalog(file, clock=Watch())


def made_by_the_second(file: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with closing(opened_by_the_second(file, monkeypatch)) as catalog:
        put_place_as_before(catalog, place())
        record_as_before(catalog, contents=[content(n) for n in range(50)], facts=FACTS)
        catalog.seal(roll(range(50)))
        catalog.note([EVENT])


def version(file: str) -> int:
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        found: int = connection.execute("PRAGMA user_version").fetchone()[0]
        names = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema")}
    assert ("harm" in names) is (found >= 3)
    return found


def holds_everything(file: str) -> None:
    with closing(open_catalog(file, clock=Watch())) as catalog:
        assert catalog.places() == (place(),)
        assert sorted(catalog.facts_at(MAIN), key=lambda one: int(one.path)) == FACTS
        assert list(catalog.events(EventKind)) == [EVENT]
        assert catalog.rolls_harmed(NOW - DAY) == frozenset()
        assert catalog.proof_ages(MAIN) == (Load(at=NOW + STEP, size_bytes=250, files=50),)


def test_everything_is_kept_and_what_is_new_can_be_told(
    file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_by_the_second(file, monkeypatch)
    assert version(file) == 2
    holds_everything(file)
    assert version(file) == max(opening.scripts())
    with closing(open_catalog(file, clock=Watch())) as catalog:
        catalog.record(facts=NEW)
        found = catalog.facts_at(MAIN, since=NOW + TICK)
        assert sorted(found, key=lambda one: one.path) == NEW
        assert catalog.rolls_harmed(NOW) == {RollId("roll")}


def test_the_second_program_refuses_the_third_schema_and_changes_nothing(
    file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_by_the_second(file, monkeypatch)
    holds_everything(file)
    before = Path(file).read_bytes()
    with pytest.raises(CatalogError, match=r"newer version.*this program knows 2"):
        opened_by_the_second(file, monkeypatch)
    assert Path(file).read_bytes() == before


def test_a_second_program_at_work_is_told_and_spoils_nothing_when_it_was_brought_up_to_date(
    file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_by_the_second(file, monkeypatch)
    with closing(opened_by_the_second(file, monkeypatch)) as old:
        holds_everything(file)
        with pytest.raises(CatalogError, match="could not be used"):
            record_as_before(old, facts=[fact("later", path="50")])
    holds_everything(file)


@pytest.mark.slow
@pytest.mark.real("strace")
@pytest.mark.parametrize(
    "moment", [("fdatasync", 1), ("fdatasync", 2), ("fdatasync", 3), ("pwrite64", 9), ("unlink", 2)]
)
def test_killed_at_any_moment_it_is_the_second_or_the_third(
    file: str, monkeypatch: pytest.MonkeyPatch, moment: tuple[str, int]
) -> None:
    call, when = moment
    made_by_the_second(file, monkeypatch)
    trap = f"inject={call}:signal=KILL:when={when}"
    done = subprocess.run(
        ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", trap,
         sys.executable, "-c", OPEN, file],
        check=False, cwd=ROOT, capture_output=True, timeout=60,
    )  # fmt: skip
    assert done.returncode in {-signal.SIGKILL, 0}, done.stderr.decode()
    assert version(file) in {2, max(opening.scripts())}
    holds_everything(file)


# -- what is asked

when = st.integers(-3, 3).map(lambda hours: NOW + hours * HOUR) | st.sampled_from([NOW - TICK])
told = st.lists(
    st.builds(
        lambda seed, **changes: fact(seed, path=f"{seed}", **changes),
        st.integers(0, 3),
        at=when,
        place=st.sampled_from([MAIN, MAIN, SECOND, BUCKET]),
        way=st.sampled_from(Way),
        result=st.sampled_from([Result.MATCHES, Result.MATCHES, *Result]),
        cold=st.booleans(),
    ),
    max_size=12,
)


@settings(max_examples=60)
@given(told, when)
def test_what_is_asked_of_facts_is_what_a_walk_over_all_of_them_finds(
    tmp_path_factory: pytest.TempPathFactory, facts: list[Fact], since: datetime
) -> None:
    file = str(tmp_path_factory.mktemp("c") / "catalog.sqlite")
    with closing(open_catalog(file, clock=Watch())) as catalog:
        for ident in (MAIN, SECOND, BUCKET):
            catalog.put_place(place(ident))
        catalog.record(contents=[content(n, size=n + 1) for n in range(4)], facts=facts)
        rolls = {RollId("a"): (0, 1), RollId("b"): (1, 2)}
        for name, seeds in rolls.items():
            catalog.seal(roll(seeds, ident=name, name=f"Roll {name}"))

        bad = {one.path for one in facts if one.result in ROT and one.at >= since}
        expected = {one for one, seeds in rolls.items() if bad & {str(n) for n in seeds}}
        assert catalog.rolls_harmed(since) == expected

        every = set(facts)
        assert set(catalog.facts_at(MAIN, since=since)) == {
            one for one in every if one.place == MAIN and one.at >= since
        }
        harmed = {one.path for one in facts if one.path in bad and one.place == MAIN
                  and one.result in ROT and one.at >= since}  # fmt: skip
        assert set(catalog.facts_around_harm(MAIN, since)) == {
            one for one in every if one.place == MAIN and one.path in harmed
        }

        newest: dict[str, datetime] = {}
        for one in facts:
            if one.place == MAIN and one.is_proof and one.way in {Way.READBACK, Way.REHASH}:
                newest[one.path] = max(newest.get(one.path, one.at), one.at)
        loads: dict[datetime, list[int]] = {}
        for path, at in newest.items():
            if any(
                (one.place, one.path) == (MAIN, path)
                and one.result is not Result.MATCHES
                and one.at >= at
                for one in facts
            ):
                continue
            ended = at.replace(minute=at.minute // 5 * 5, second=0, microsecond=0) + STEP
            loads.setdefault(ended, []).append(int(path) + 1)
        assert catalog.proof_ages(MAIN) == tuple(
            Load(at=at, size_bytes=sum(sizes), files=len(sizes))
            for at, sizes in sorted(loads.items())
        )


def test_damage_is_found_by_its_own_index(file: str) -> None:
    """Few rows: what is asked every hour must not walk over ten years of facts."""
    open_catalog(file, clock=Watch()).close()
    with closing(sqlite3.connect(file)) as connection:
        plan = connection.execute(
            "EXPLAIN QUERY PLAN SELECT copy FROM facts INDEXED BY harm "
            "WHERE result IN (2, 5, 6, 7) AND at >= 0"
        ).fetchall()
        names = dict(connection.execute("SELECT no, name FROM results"))
    assert "harm" in plan[0][3]
    assert {names[number] for number in (2, 5, 6, 7)} == {one.value for one in ROT}
