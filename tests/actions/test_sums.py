"""Sums of facts held against the facts themselves, whatever was written, removed, merged or killed.

The expected answer is always that of ``core.policy.cover`` and ``core.needs.need_of`` from all facts.
"""

import ast
import os
import signal
import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

import backupkeeper
from backupkeeper.actions.in_short import hurt_of, in_short, to_go
from backupkeeper.actions.survey import Surveyor
from backupkeeper.catalog.foreign import Checked
from backupkeeper.catalog.merge import merge
from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.model import Blake3, Role, Way
from backupkeeper.core.standing import Scale
from tests.actions.survey_world import (
    DAY,
    MAIN,
    ROLES,
    ROLLS,
    SPARE,
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
from tests.actions.test_covers import POLICIES, counted, one_by_one
from tests.catalog.foreign_made import packed, unpacked
from tests.catalog.made import NOW, Watch


def by_hand(made: World) -> closing[sqlite3.Connection]:
    """The file, opened by whatever program; foreign keys are on, as ours has them."""
    connection = sqlite3.connect(made.mine._path, isolation_level=None)
    connection.execute("PRAGMA foreign_keys = ON")
    return closing(connection)


@st.composite
def facts_removed(draw: st.DrawFn) -> Step:
    """Some are thinned out."""
    every, first = draw(st.integers(1, 4)), draw(st.integers(0, 3))

    def step(made: World, _surveyor: Surveyor) -> None:
        with by_hand(made) as connection:
            keys = connection.execute("SELECT copy, at, way, result FROM facts").fetchall()
            for key in keys[first::every]:
                connection.execute(
                    "DELETE FROM facts WHERE (copy, at, way, result) = (?, ?, ?, ?)", key
                )

    return step


@st.composite
def sums_removed(draw: st.DrawFn) -> Step:
    """Somebody throws them away."""
    below = draw(st.integers(0, 4))

    def step(made: World, _surveyor: Surveyor) -> None:
        with by_hand(made) as connection:
            connection.execute("DELETE FROM sums WHERE roll < ?", (below,))

    return step


@st.composite
def merged(draw: st.DrawFn) -> Step:
    """Another machine proved rolls, and comes with its own sums."""
    which = draw(st.lists(st.integers(0, 2), min_size=1, max_size=3))
    at = draw(st.sampled_from(list(ROLES)))
    way = draw(st.sampled_from([Way.ATTESTED, Way.REHASH]))

    def step(made: World, _surveyor: Surveyor) -> None:
        path = f"{made.mine._path}.other"
        with closing(open_catalog(path, clock=made.clock)) as other:
            for number in which:
                other.seal(ROLLS[number])
                other.record(facts=proofs_of(ROLLS[number], at, made.clock.at, way=way))
            other.put_place(place(at))
            other.roll_sums()
        merge(made.mine._path, _looked_at(path), clock=made.clock)

    return step


def _looked_at(path: str) -> Checked:
    return Checked(path=path, rolls=0, files=0, facts=0, places=0)


ALL_STEPS = st.one_of(STEPS, STEPS, facts_removed(), sums_removed(), merged())


@settings(deadline=None, max_examples=120)
@given(st.lists(ALL_STEPS, max_size=8), POLICIES)
def test_whatever_happens_sums_come_to_what_the_facts_come_to(
    steps: list[Step], policy: str
) -> None:
    with world(policy) as made:
        well(made)
        surveyor = Surveyor(made.context)
        for step in steps:
            step(made, surveyor)
            assert counted(made) == one_by_one(made)
            assert surveyor.survey(made.mounted) == made.by_brute_force()


@settings(deadline=None, max_examples=60)
@given(st.lists(ALL_STEPS, max_size=8), POLICIES)
def test_in_short_it_is_what_every_rolls_needs_come_to(steps: list[Step], policy: str) -> None:
    with world(policy) as made:
        well(made)
        surveyor = Surveyor(made.context)
        for step in steps:
            step(made, surveyor)
            needs = made.by_brute_force()
            found = in_short(made.context)
            assert found.rolls == len(made.mine.rolls())
            assert found.rolls_with_gaps == sum(bool(need.gaps) for need in needs)
            assert found.to_go_bytes == sum(map(to_go, needs))
            assert found.hurt == tuple(hurt_of(needs))


def firsts_one_by_one(made: World, scale: Scale) -> Counter[tuple[Role, int]]:
    """Of each file of each roll, in each role the earliest proof of any copy, from all facts."""
    roles = {one.id: one.role for one in made.mine.places()}
    found: Counter[tuple[Role, int]] = Counter()
    for head in made.mine.rolls():
        proofs: dict[tuple[Blake3, Role], datetime] = {}
        for fact in made.mine.facts_of_roll(head.id):
            if fact.is_proof and fact.at <= made.clock.at and fact.place in roles:
                key = fact.content, roles[fact.place]
                proofs[key] = min(fact.at, proofs.get(key, fact.at))
        for file in made.mine.roll(head.id).files:
            for role in Role:
                at = proofs.get((file.content, role))
                if at is not None:
                    at = max(at, head.sealed_at)
                    found[role, (at - scale.begin) // scale.length] += file.size
    return found


@settings(deadline=None, max_examples=60)
@given(st.lists(ALL_STEPS, max_size=8), st.sampled_from([DAY / 2, DAY, 40 * DAY]))
def test_what_was_first_proven_when_is_counted_as_file_by_file(
    steps: list[Step], length: timedelta
) -> None:
    scale = Scale(begin=NOW, length=length, count=9)
    with world() as made:
        well(made)
        surveyor = Surveyor(made.context)
        for step in steps:
            step(made, surveyor)
            counts = made.mine.tallies(made.clock.at, [], scale).firsts
            found = Counter({(one.role, one.step): one.size_bytes for one in counts})
            assert found == firsts_one_by_one(made, scale)


@settings(deadline=None, max_examples=50)
@given(st.lists(ALL_STEPS, max_size=6))
def test_a_catalog_that_is_made_anew_from_another_says_the_same(steps: list[Step]) -> None:
    with world() as made, world() as again:
        well(made)
        surveyor = Surveyor(made.context)
        for step in steps:
            step(made, surveyor)
            made.mine.roll_sums()
        again.clock.at = made.clock.at
        path = unpacked(packed(Path(made.mine._path)), Path(f"{made.mine._path}.back"))
        merge(again.mine._path, _looked_at(str(path)), clock=again.clock)
        assert counted(again) == one_by_one(again)


def stamps(made: World) -> dict[str, int]:
    return {roll: one.stamp for roll, one in made.mine.roll_sums().items()}


WRITERS: dict[str, Callable[[sqlite3.Connection], object]] = {
    "a fact more": lambda c: c.execute(
        "INSERT INTO facts SELECT copy, at + 1, way, result, cold, evidence, version, mount, note, "
        "damage FROM facts WHERE copy = (SELECT min(copy) FROM facts)"
    ),
    "a fact less": lambda c: c.execute(
        "DELETE FROM facts WHERE copy = (SELECT min(copy) FROM facts)"
    ),
    "a fact is another": lambda c: c.execute(
        "UPDATE facts SET at = at + 1 WHERE copy = (SELECT min(copy) FROM facts)"
    ),
    "a copy is elsewhere": lambda c: c.execute(
        "UPDATE copies SET name = x'61' WHERE no = (SELECT min(no) FROM copies)"
    ),
    "a file is another": lambda c: c.execute(
        "UPDATE roll_files SET size = 6 WHERE roll = (SELECT min(no) FROM rolls)"
    ),
    "a file less": lambda c: c.execute(
        "DELETE FROM roll_files WHERE roll = (SELECT min(no) FROM rolls)"
    ),
    "a roll lies elsewhere": lambda c: c.execute(
        "UPDATE rolls SET folder = x'61' WHERE no = (SELECT min(no) FROM rolls)"
    ),
}


@pytest.mark.parametrize("writer", WRITERS)
def test_whoever_writes_what_sums_follow_from_removes_those_and_no_others(writer: str) -> None:
    with world() as made:
        well(made)
        before = stamps(made)
        with by_hand(made) as connection:
            WRITERS[writer](connection)
            left = connection.execute("SELECT count(*) FROM sums").fetchone()
        assert left == (2,)
        after = stamps(made)
        assert {roll for roll in before if before[roll] != after[roll]} == {ROLLS[0].head.id}
        assert counted(made) == one_by_one(made)


def test_whoever_gives_a_folder_another_path_removes_all_sums() -> None:
    with world() as made:
        well(made)
        before = stamps(made)
        with by_hand(made) as connection:
            connection.execute("UPDATE folders SET path = x'612F' WHERE no = 1")
            assert connection.execute("SELECT count(*) FROM sums").fetchone() == (0,)
        assert before.items().isdisjoint(stamps(made).items())
        assert counted(made) == one_by_one(made)


def test_a_roll_that_is_gone_leaves_no_sums_for_the_next_of_its_number() -> None:
    with world() as made:
        well(made)
        made.mine.roll_sums()
        with by_hand(made) as connection:
            connection.execute("PRAGMA foreign_keys = OFF")
            connection.execute("DELETE FROM rolls WHERE no = 2")
            assert connection.execute("SELECT roll FROM sums").fetchall() == [(1,), (3,)]


def test_killed_within_a_step_neither_facts_nor_sums_have_changed_and_after_it_both() -> None:
    with world() as made:
        well(made)
        made.mine.roll_sums()
        for is_done in (False, True):
            child = os.fork()
            if child == 0:  # pragma: no cover - it is killed
                other = open_catalog(made.mine._path, clock=Watch())
                fact = proofs_of(ROLLS[0], MAIN, NOW + DAY)
                if is_done:
                    other.record(facts=fact)
                else:
                    with other.transaction():
                        other.record(facts=fact)
                        os.kill(os.getpid(), signal.SIGKILL)
                os.kill(os.getpid(), signal.SIGKILL)
            os.waitpid(child, 0)
            with by_hand(made) as connection:
                left = connection.execute("SELECT count(*) FROM sums").fetchone()
                facts = connection.execute(
                    "SELECT count(*) FROM facts WHERE at > (SELECT min(sealed_at) FROM rolls)"
                ).fetchone()
            assert (left, facts) == (((2,), (2,)) if is_done else ((3,), (0,)))
            assert counted(made) == one_by_one(made)


def test_what_is_taken_back_takes_back_its_sums() -> None:
    with world() as made:
        well(made)
        before = stamps(made)
        with suppress(KeyError), made.mine.transaction():
            made.mine.record(facts=proofs_of(ROLLS[0], MAIN, NOW, way=Way.WRITTEN))
            within = {roll: one.stamp for roll, one in made.mine.roll_sums().items()}
            assert within[ROLLS[0].head.id] != before[ROLLS[0].head.id]
            assert counted(made) == one_by_one(made)
            raise KeyError
        assert stamps(made) == before
        assert counted(made) == one_by_one(made)


def test_while_another_writes_sums_are_made_and_not_kept() -> None:
    with world() as made:
        well(made, MAIN, TRAVEL, VAULT, SPARE)
        with made.theirs.transaction():
            assert counted(made) == one_by_one(made)
        with by_hand(made) as connection:
            assert connection.execute("SELECT count(*) FROM sums").fetchone() == (0,)
        mark = made.mine.change_mark()
        assert counted(made) == one_by_one(made)
        assert made.mine.change_mark() == mark, "keeping them is no news"
        with by_hand(made) as connection:
            assert connection.execute("SELECT count(*) FROM sums").fetchone() == (3,)
            assert connection.execute("PRAGMA busy_timeout").fetchone() is not None


@pytest.mark.parametrize(
    "said", ["[[[1, 2", "7", "[[], []]", '[[[1, 10, "", [[99, 2]]]], [], 0, []]']
)
def test_a_row_that_cannot_be_read_is_made_on_the_way(said: str) -> None:
    with world() as made:
        well(made)
        made.mine.roll_sums()
        with by_hand(made) as connection:
            connection.execute("UPDATE sums SET said = ?, stamp = 7", (said,))
        assert counted(made) == one_by_one(made)


def test_sums_of_another_catalog_are_taken_from_no_snapshot(tmp_path: Path) -> None:
    with world() as made, world() as again:
        well(made)
        made.mine.roll_sums()
        back = unpacked(packed(Path(made.mine._path)), tmp_path / "back")
        with closing(sqlite3.connect(back)) as connection:
            assert connection.execute("SELECT count(*) FROM sums").fetchone() == (0,)
            connection.execute("INSERT INTO sums VALUES (1, 7, '[[], [], 0, []]')")
            connection.commit()
        merge(again.mine._path, _looked_at(str(back)), clock=again.clock)
        with by_hand(again) as connection:
            assert connection.execute("SELECT count(*) FROM sums").fetchone() == (0,)
        again.clock.at = made.clock.at
        assert counted(again) == one_by_one(again)


def test_a_copy_in_another_rolls_folder_stands_in_until_that_roll_is_known() -> None:
    """The need of one roll follows from the folders of all: found by the property test of surveys."""
    with world() as made:
        for ident in ROLES:
            made.theirs.put_place(place(ident))
        made.theirs.seal(ROLLS[2])
        made.theirs.record(
            facts=[*proofs_of(ROLLS[2], MAIN)[:1], *proofs_of(ROLLS[1], MAIN, NOW)[1:2]]
        )
        surveyor = Surveyor(made.context)
        assert surveyor.survey(made.mounted) == made.by_brute_force()
        made.theirs.seal(ROLLS[1])
        assert surveyor.survey(made.mounted) == made.by_brute_force()


def test_no_verdict_rests_on_sums() -> None:
    """Only these may: what is counted for a person, and what the planner passes over."""
    root = Path(backupkeeper.__file__).parent
    asking = set()
    for path in root.rglob("*.py"):
        names = {
            node.attr
            for node in ast.walk(ast.parse(path.read_text()))
            if isinstance(node, ast.Attribute)
        }
        if names & {"file_groups", "roll_sums"} and path.parent.name != "catalog":
            asking.add(str(path.relative_to(root)))
    assert asking == {
        "actions/gaps.py",
        "actions/leaving.py",
        "actions/survey.py",
    }
