"""What is computed of merged catalogs: the same in whatever order, and never better than the newest fact.

BACKUPKEEPER_LAWS=1000 tries each law on as many.
"""

from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.model import CopyState, Fact, Result, Role, Standing, Way
from backupkeeper.core.policy import Policy, copies_of
from tests.catalog.foreign_made import make, true_roll
from tests.catalog.made import MAIN, NOW, SECOND, Watch, content, fact, place
from tests.catalog.test_merge_laws import TRIES, _numbers, union

ROLL = true_roll((0, 1))
PLACES = [
    (place(MAIN, name="Main", location="/a"), 0),
    (place(SECOND, name="Travel", role=Role.SECONDARY, location="/b"), 1),
]
BAD = {Result.DAMAGED, Result.MISSING, Result.UNREADABLE, Result.CHANGED}
facts = st.lists(
    st.builds(
        fact,
        st.integers(0, 1),
        at=st.integers(0, 5).map(lambda n: NOW - timedelta(hours=n)),
        place=st.sampled_from([MAIN, SECOND]),
        path=st.sampled_from(["a", "b"]),
        way=st.sampled_from([Way.READBACK, Way.REHASH, Way.WRITTEN, Way.LOOKED]),
        result=st.sampled_from([Result.MATCHES, Result.DAMAGED, Result.MISSING]),
        cold=st.booleans(),
    ),
    max_size=8,
)
stood = st.lists(
    st.tuples(st.sampled_from([MAIN, SECOND]), st.sampled_from(Standing), st.integers(0, 3)),
    max_size=2,
)
catalogs = st.fixed_dictionaries(
    {
        "facts": facts,
        "stood": stood,
        "places": st.just(PLACES),
        "rolls": st.just([ROLL]),
        "contents": st.just([content(0), content(1)]),
    }
)


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("standings")


def computed(path: Path) -> dict[tuple[str, str, str], CopyState]:
    """The state of every copy of the roll's contents, as verdicts and gaps are made of."""
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        places = {one.id: one for one in catalog.places()}
        groups = copies_of(catalog.facts_of_roll(ROLL.head.id), places, Policy(), NOW)
        return {
            (copy.place, copy.path, name): copy.state
            for name, group in groups.items()
            for copy in group
        }


@settings(max_examples=TRIES, deadline=None)
@given(one=catalogs, two=catalogs, three=catalogs)
def test_states_are_the_same_in_whatever_order_and_however_often(
    room: Path, one: dict[str, Any], two: dict[str, Any], three: dict[str, Any]
) -> None:
    left = computed(union(room, union(room, one, two), three))
    right = union(room, three, union(room, two, one))
    assert computed(right) == left
    assert computed(union(room, right, two, one)) == left


@settings(max_examples=TRIES * 2, deadline=None)
@given(one=catalogs, two=catalogs)
def test_what_the_newest_fact_calls_bad_is_never_proven(
    room: Path, one: dict[str, Any], two: dict[str, Any]
) -> None:
    states = computed(union(room, one, two))
    last: dict[tuple[str, str, str], Fact] = {}
    for each in (*one["facts"], *two["facts"]):
        key = (each.place, each.path, each.content)
        if key not in last or each.at > last[key].at:
            last[key] = each
    for key, newest in last.items():
        at_once = {
            each.result
            for each in (*one["facts"], *two["facts"])
            if (each.place, each.path, each.content) == key and each.at == newest.at
        }
        if at_once <= BAD:
            assert states.get(key) is not CopyState.PROVEN


@settings(max_examples=TRIES, deadline=None)
@given(one=catalogs, two=catalogs)
def test_merging_makes_nothing_proven_that_neither_had_a_proof_of(
    room: Path, one: dict[str, Any], two: dict[str, Any]
) -> None:
    paths = [make(room / f"{next(_numbers)}", **each) for each in (one, two)]
    either = [key for path in paths for key, state in computed(path).items()]
    merged = computed(union(room, *paths))
    assert set(merged) == set(either)
    proofs = {
        (each.place, each.path, each.content)
        for each in (*one["facts"], *two["facts"])
        if each.result is Result.MATCHES and each.cold and each.way in {Way.READBACK, Way.REHASH}
    }
    assert {key for key, state in merged.items() if state is CopyState.PROVEN} <= proofs
