"""What merging decides where two catalogs say two things, and what it refuses."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.catalog.merge import merge, settle
from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.errors import CatalogError, SnapshotError
from backupkeeper.core.model import (
    CopyState,
    Event,
    EventKind,
    Place,
    Result,
    RollFile,
    Way,
    Xxh128,
)
from backupkeeper.core.policy import Policy, copies_of
from backupkeeper.ports.catalog import OpenRoll
from tests.catalog.foreign_made import attacked, looked_at, make, merged, says, true_roll, usual
from tests.catalog.made import MAIN, NOW, SECOND, Watch, content, fact, name_of, place


def places_of(path: Path) -> tuple[Place, ...]:
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        return catalog.places()


def test_the_description_of_a_place_that_was_made_last_counts(tmp_path: Path) -> None:
    old = make(tmp_path / "old", places=[(place(location="/old"), 1)])
    new = make(tmp_path / "new", places=[(place(location="/new"), 2)])
    merged(old, new, tmp_path / "s")
    assert places_of(old) == (place(location="/new"),)
    merged(new, old, tmp_path / "s")
    assert places_of(new) == (place(location="/new"),)


def test_a_description_from_the_future_counts_least(tmp_path: Path) -> None:
    """Else who lies once about the time is believed for ever."""
    ours = make(tmp_path / "ours", places=[(place(location="/ours"), 1)])
    lie = attacked(
        make(tmp_path / "l", places=[(place(location="/theirs", name="Evil"), 1)]),
        tmp_path / "lie",
        lambda connection: connection.execute("UPDATE described SET at = at + 864000000000"),
    )
    merged(ours, lie, tmp_path / "s")
    assert places_of(ours) == (place(location="/ours"),)


def test_two_places_may_come_to_one_name_and_go_on(tmp_path: Path) -> None:
    ours = make(tmp_path / "ours", places=[(place(name="Main"), 1)])
    theirs = make(tmp_path / "theirs", places=[(place(SECOND, name="Main"), 1)])
    merged(ours, theirs, tmp_path / "s")
    assert [one.name for one in places_of(ours)] == ["Main", "Main"]
    with closing(open_catalog(str(ours), clock=Watch())) as catalog:
        catalog.put_place(place(name="Main", location="/moved"))
        assert {one.location for one in catalog.places()} == {"/moved", "/media/main"}


def test_a_proof_of_theirs_does_not_hide_what_was_found_bad_later(tmp_path: Path) -> None:
    bad = fact(1, at=NOW, result=Result.DAMAGED, way=Way.REHASH)
    proof = fact(1, at=NOW - timedelta(days=1), way=Way.REHASH)
    ours = make(tmp_path / "ours", places=[(place(), 1)], facts=[bad])
    merged(ours, make(tmp_path / "theirs", facts=[proof]), tmp_path / "s")
    assert state(ours) is CopyState.DAMAGED


def test_a_lie_from_the_future_does_not_hide_it_either(tmp_path: Path) -> None:
    bad = fact(1, at=NOW - timedelta(hours=1), result=Result.DAMAGED, way=Way.REHASH)
    lie = fact(1, at=NOW + timedelta(days=3000), way=Way.REHASH)
    ours = make(tmp_path / "ours", places=[(place(), 1)], facts=[bad])
    merged(ours, make(tmp_path / "theirs", facts=[lie]), tmp_path / "s")
    assert bad in facts_in(ours)
    assert lie in facts_in(ours)
    assert state(ours) is CopyState.DAMAGED


def facts_in(path: Path) -> list[object]:
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        return list(catalog.facts_at(MAIN))


def state(path: Path) -> CopyState:
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        found = copies_of(catalog.facts_at(MAIN), {MAIN: place()}, Policy(), NOW)
    ((only,),) = found.values()
    return only.state


def test_a_roll_keeps_the_name_under_which_it_was_sealed_first(tmp_path: Path) -> None:
    first = true_roll([1, 2], name="Roll 01", folder="260612 Boatyard/Originals/Wide/Roll 01")
    second = true_roll(
        [1, 2], name="Roll 07", folder="260612 Boatyard/Originals/Wide/Roll 07",
        sealed_at=NOW + timedelta(minutes=1),
    )  # fmt: skip
    for number, order in enumerate([(first, second), (second, first)]):
        ours = make(tmp_path / f"ours {number}", rolls=order[:1])
        merged(ours, make(tmp_path / f"theirs {number}", rolls=order[1:]), tmp_path / "s")
        with closing(open_catalog(str(ours), clock=Watch())) as catalog:
            assert catalog.roll(first.head.id) == first


def test_two_descriptions_of_one_content_are_refused_and_nothing_is_taken(tmp_path: Path) -> None:
    ours = make(tmp_path / "ours", contents=[content(1)])
    before = says(ours)
    for number, other in enumerate(
        [
            replace(content(1), xxh128=Xxh128(name_of("x")[:32])),
            replace(content(1), block_map=bytes(15) + b"\1"),
            content(1, size=6),
        ]
    ):
        theirs = make(tmp_path / f"t{number}", contents=[other], facts=[fact(7, path="new")])
        with pytest.raises(SnapshotError, match="one of the two is wrong"):
            merged(ours, theirs, tmp_path / "s")
        assert says(ours) == before


def test_two_digests_of_one_content_are_refused(tmp_path: Path) -> None:
    ours = make(tmp_path / "ours", contents=[content(1, digests={"md5": "aa"})])
    theirs = make(tmp_path / "theirs", contents=[content(1, digests={"md5": "bb"})])
    with pytest.raises(SnapshotError, match="one of the two is wrong"):
        merged(ours, theirs, tmp_path / "s")


def test_a_size_that_the_other_one_contradicts_is_refused_both_ways(tmp_path: Path) -> None:
    with_roll = make(tmp_path / "roll", rolls=[true_roll([1])])
    described = make(tmp_path / "described", contents=[content(1, size=6)])
    for ours, theirs in ((with_roll, described), (described, with_roll)):
        with pytest.raises(SnapshotError, match="one of the two is wrong"):
            merged(ours, theirs, tmp_path / "s")


def test_events_that_nobody_could_read_stay_behind(tmp_path: Path) -> None:
    theirs = make(
        tmp_path / "theirs",
        events=[
            Event(at=NOW, kind=EventKind.ROOM, subject="p", detail="nan"),
            Event(at=NOW, kind=EventKind.LISTED, subject="p", detail="fine"),
        ],
    )
    ours = make(tmp_path / "ours")
    merged(ours, theirs, tmp_path / "s")
    assert {row[0] for row in says(ours)["events"]} == {"listed"}


def test_it_says_what_was_new(tmp_path: Path) -> None:
    ours, theirs = make(tmp_path / "ours"), usual(tmp_path / "theirs")
    checked = looked_at(theirs, tmp_path / "s")
    first = merge(str(ours), checked, clock=Watch())
    assert (first.facts, first.rolls, first.places) == (4, 1, (MAIN,))
    again = merge(str(ours), checked, clock=Watch())
    assert (again.facts, again.rolls, again.places) == (0, 0, ())


def test_another_program_that_writes_is_waited_for_and_then_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours = make(tmp_path / "ours")
    checked = looked_at(usual(tmp_path / "theirs"), tmp_path / "s")
    monkeypatch.setattr("backupkeeper.catalog.merge.PATIENCE_S", 0.01)
    with closing(sqlite3.connect(ours, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(CatalogError, match="held by another program"):
            merge(str(ours), checked, clock=Watch())
    merge(str(ours), checked, clock=Watch())


def opened(name: str, *seeds: int) -> tuple[OpenRoll, tuple[RollFile, ...]]:
    folder = f"260612 Boatyard/Originals/Wide/{name}"
    begun = OpenRoll(shoot="260612 Boatyard", source="Wide", name=name, folder=folder, begun_at=NOW)
    files = tuple(
        RollFile(path=f"DCIM/CLIP{n:04}.MP4", content=name_of(seed), size=5, mtime_ns=n)
        for n, seed in enumerate(seeds)
    )
    return begun, files


def test_an_offload_that_was_finished_since_is_not_open_again(tmp_path: Path) -> None:
    """A snapshot from the midst of an offload, and one from after it."""
    midst = make(tmp_path / "midst", opened=[opened("Roll 01", 1), opened("Roll 02", 1, 2, 3)])
    after = make(tmp_path / "after", rolls=[true_roll([1, 2])])
    merged(after, midst, tmp_path / "s")
    assert settle(str(after), clock=Watch()) == 1
    assert {row[0] for row in says(after)["open"]} == {b"260612 Boatyard/Originals/Wide/Roll 02"}
    assert len(says(after)["open files"]) == 3
    assert settle(str(after), clock=Watch()) == 0


def test_each_machine_keeps_its_own_name_for_its_credentials(tmp_path: Path) -> None:
    ours = make(tmp_path / "ours", places=[(place(name="Off site", profile="mine"), 1)])
    theirs = make(tmp_path / "theirs", places=[(place(name="Vault", profile="theirs"), 2)])
    merged(ours, theirs, tmp_path / "s")
    (row,) = says(ours)["places"]
    assert (row[1], row[-1]) == (b"Vault", b"mine")
    merged(new := make(tmp_path / "new"), theirs, tmp_path / "s")
    (row,) = says(new)["places"]
    assert row[-1] == b"theirs"
