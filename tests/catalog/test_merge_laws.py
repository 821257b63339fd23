"""Merging is a union: commutative, associative, idempotent, and it never loses a fact.

Held on real catalogs in real files; that each could also be handed over as a snapshot, unpacked and
looked at, is the last one. BACKUPKEEPER_LAWS=1000 tries each law on as many.
"""

import itertools
import os
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.catalog.foreign import Checked
from backupkeeper.catalog.merge import merge
from backupkeeper.core.merging import OWN_EVENTS
from backupkeeper.core.model import Event, EventKind, Result, RollFile, Standing, Way
from backupkeeper.ports.catalog import OpenRoll
from tests.catalog.foreign_made import looked_at, make, says as says_all, true_roll
from tests.catalog.made import BUCKET, MAIN, NOW, SECOND, Watch, content, fact, name_of, place

soon = st.integers(0, 3).map(lambda n: NOW + timedelta(minutes=n))
facts = st.lists(
    st.builds(
        fact,
        st.integers(0, 3),
        at=soon,
        place=st.sampled_from([MAIN, SECOND, BUCKET]),
        path=st.sampled_from(["a", "b/c", "\udcff"]),
        way=st.sampled_from(Way),
        result=st.sampled_from(Result),
        cold=st.booleans(),
        version=st.sampled_from([None, "", "v1"]),
        mount=st.sampled_from([None, "1:2"]),
        note=st.sampled_from(["", "n"]),
        damage=st.sampled_from([(), ((0, 2),)]),
    ),
    max_size=6,
)
places = st.lists(
    st.tuples(
        st.builds(
            place,
            st.sampled_from([MAIN, SECOND]),
            name=st.sampled_from(["Main", "Travel"]),
            location=st.sampled_from(["/a", "/b"]),
            spins=st.sampled_from([None, True]),
            size_bytes=st.sampled_from([None, 7]),
            fs_uuid=st.sampled_from([None, "1234-ABCD"]),
        ),
        st.integers(0, 3),
    ),
    max_size=2,
    # Within one catalog two places have two names, and the descriptions come one after another.
    unique_by=(lambda one: one[0].id, lambda one: one[0].name),
)
rolls = st.lists(
    st.builds(
        lambda seeds, minute, name, more: replace(
            true_roll(seeds, name=name, sealed_at=NOW + timedelta(minutes=minute)), **more
        ),
        st.sampled_from([(0,), (0, 1), (2,)]),
        st.integers(0, 2),
        st.sampled_from(["Roll 01", "Roll 02"]),
        st.sampled_from(
            [
                {},
                {"folders": ("empty",)},
                {"left_out": (("x", "litter"),)},
                {"folders": ("b", "a"), "left_out": (("y", "z"), ("x", "litter"))},
            ]
        ),
    ),
    max_size=2,
)
opened = st.lists(
    st.builds(
        lambda name, minute, seed, mtime: (
            OpenRoll(
                shoot="260612 Boatyard", source="Wide", name=name, folder=f"f/{name}",
                begun_at=NOW + timedelta(minutes=minute),
            ),
            (RollFile(path="A.MP4", content=name_of(seed), size=5, mtime_ns=mtime),),
        ),
        st.sampled_from(["Roll 08", "Roll 09"]),
        st.integers(0, 2),
        st.integers(0, 3),
        st.integers(0, 2),
    ),
    max_size=2,
)  # fmt: skip
events = st.lists(
    st.builds(
        Event,
        at=soon,
        kind=st.sampled_from([EventKind.TOLD, EventKind.DRILLED, EventKind.LISTED]),
        subject=st.sampled_from(["a", "b"]),
        detail=st.sampled_from(["", "c"]),
    ),
    max_size=3,
)
contents = st.lists(
    st.builds(
        lambda seed, digests: content(seed, digests=digests),
        st.integers(0, 3),
        st.sampled_from([{}, {"md5": "ab"}, {"c4": "cd", "md5": "ab"}]),
    ),
    max_size=3,
)
stood = st.lists(
    st.tuples(st.sampled_from([MAIN, SECOND]), st.sampled_from(Standing), st.integers(0, 3)),
    max_size=3,
)
catalogs = st.fixed_dictionaries(
    {
        "facts": facts,
        "places": places,
        "rolls": rolls,
        "opened": opened,
        "events": events,
        "contents": contents,
        "stood": stood,
    }
)
TRIES = int(os.environ.get("BACKUPKEEPER_LAWS", "15"))
_numbers = itertools.count()


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("laws")


def union(room: Path, *parts: dict[str, Any] | Path) -> Path:
    """A new catalog with all of these in this order; the first is the one that is written to."""
    first, *others = (
        part if isinstance(part, Path) else make(room / f"{next(_numbers)}", **part)
        for part in parts
    )
    for other in others:
        copy = room / "theirs"
        copy.write_bytes(other.read_bytes())  # closed, so that nothing is left in its journal
        theirs = Checked(path=str(copy), rolls=0, files=0, facts=0, places=0)
        merge(str(first), theirs, clock=Watch())
    return first


def says(path: Path) -> dict[str, set[tuple[Any, ...]]]:
    """All that a catalog says of the world: what its machine did is no part of merging."""
    said = says_all(path)
    own = {kind.value for kind in OWN_EVENTS}
    return {**said, "events": {event for event in said["events"] if event[0] not in own}}


def own_events(path: Path) -> set[tuple[Any, ...]]:
    return says_all(path)["events"] - says(path)["events"]


@settings(max_examples=TRIES, deadline=None)
@given(one=catalogs, two=catalogs)
def test_what_a_machine_did_stays_its_own(
    room: Path, one: dict[str, Any], two: dict[str, Any]
) -> None:
    mine = make(room / f"{next(_numbers)}", **one)
    before = own_events(mine)
    assert own_events(union(room, mine, two)) == before


@settings(max_examples=TRIES, deadline=None)
@given(one=catalogs, two=catalogs)
def test_it_is_commutative(room: Path, one: dict[str, Any], two: dict[str, Any]) -> None:
    assert says(union(room, one, two)) == says(union(room, two, one))


@settings(max_examples=TRIES, deadline=None)
@given(one=catalogs, two=catalogs, three=catalogs)
def test_it_is_associative(
    room: Path, one: dict[str, Any], two: dict[str, Any], three: dict[str, Any]
) -> None:
    left = union(room, union(room, one, two), three)
    right = union(room, one, union(room, two, three))
    assert says(left) == says(right)


@settings(max_examples=TRIES, deadline=None)
@given(one=catalogs, two=catalogs)
def test_it_is_idempotent_and_an_empty_one_changes_nothing(
    room: Path, one: dict[str, Any], two: dict[str, Any]
) -> None:
    alone = make(room / f"{next(_numbers)}", **one)
    before = says(alone)
    assert says(union(room, alone, alone)) == before
    assert says(union(room, alone, {})) == before
    assert says(union(room, {}, alone)) == before
    both = union(room, alone, two)
    after = says(both)
    assert says(union(room, both, two)) == after


@settings(max_examples=TRIES, deadline=None)
@given(one=catalogs, two=catalogs)
def test_nothing_that_was_known_is_lost(
    room: Path, one: dict[str, Any], two: dict[str, Any]
) -> None:
    mine, theirs = (make(room / f"{next(_numbers)}", **each) for each in (one, two))
    before, other = says(mine), says(theirs)
    after = says(union(room, mine, theirs))
    for what in ("facts", "events", "contents", "named", "digests"):
        assert after[what] == before[what] | other[what]
    for what in ("rolls", "places"):
        ids = {row[0] for row in before[what] | other[what]}
        assert {row[0] for row in after[what]} == ids
        known = before[what] | other[what]
        if what == "places":  # how they stand follows from what was said, which is among the events
            after[what], known = without_standing(after[what]), without_standing(known)
        assert after[what] <= known


def without_standing(rows: set[tuple[Any, ...]]) -> set[tuple[Any, ...]]:
    return {(*row[:6], *row[7:]) for row in rows}


@settings(max_examples=TRIES, deadline=None)
@given(one=catalogs, two=catalogs)
def test_the_last_word_on_a_place_counts_whoever_heard_it(
    room: Path, one: dict[str, Any], two: dict[str, Any]
) -> None:
    after = says(union(room, one, two))
    words: dict[str, list[tuple[int, bytes]]] = {}
    for kind, subject, at, detail in after["events"]:
        if kind == EventKind.STOOD:
            words.setdefault(subject.decode(), []).append((at, detail))
    for row in after["places"]:
        if row[0] in words:
            assert row[6] == max(words[row[0]])[1].decode()


@settings(max_examples=TRIES, deadline=None)
@given(one=catalogs, two=catalogs)
def test_what_was_merged_can_be_kept_and_merged_again(
    room: Path, one: dict[str, Any], two: dict[str, Any]
) -> None:
    both = union(room, one, two)
    looked_at(both, room / "scratch")
    assert says(union(room, {}, both)) == says(both)
