"""What is recorded comes back equal, once, in whatever order it came."""

import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import CatalogError, UsageError
from backupkeeper.core.model import (
    Blake3,
    Content,
    Fact,
    Place,
    Result,
    Roll,
    RollFile,
    RollId,
    Way,
)
from backupkeeper.ports.catalog import Catalog, OpenRoll
from tests.catalog import made
from tests.catalog.made import BUCKET, MAIN, NOW, SECOND, Watch, content, fact, name_of, place, roll

FOLDER = "260612 Boatyard/Originals/Wide/Roll 01"
OPEN = OpenRoll(shoot="260612 Boatyard", source="Wide", name="Roll 01", folder=FOLDER, begun_at=NOW)


@contextmanager
def fresh() -> Iterator[SqliteCatalog]:
    """A catalog for one example of Hypothesis."""
    with (
        tempfile.TemporaryDirectory() as folder,
        closing(open_catalog(f"{folder}/catalog.sqlite", clock=Watch())) as opened,
    ):
        yield opened


def everything(catalog: SqliteCatalog) -> Counter[Fact]:
    return Counter(found for ident in (MAIN, SECOND, BUCKET) for found in catalog.facts_at(ident))


def test_it_is_what_the_port_asks_for(catalog: SqliteCatalog) -> None:
    port: Catalog = catalog  # the type checker's word
    assert port.places() == ()


@settings(max_examples=40, deadline=None)
@given(given_facts=st.lists(made.facts, max_size=8), seed=st.randoms(use_true_random=False))
def test_facts_come_back_equal_and_once_in_any_order(given_facts: list[Fact], seed: Any) -> None:
    again = [*given_facts, *given_facts]
    seed.shuffle(again)
    with fresh() as catalog:
        for start in range(0, len(again), 3):
            catalog.record(facts=again[start : start + 3])
        assert everything(catalog) == Counter(set(given_facts))
        assert set(catalog.facts_of(found.content for found in given_facts)) == set(given_facts)


@settings(max_examples=30, deadline=None)
@given(given_place=made.places, given_roll=made.rolls)
def test_places_and_rolls_come_back_equal(given_place: Place, given_roll: Roll) -> None:
    with fresh() as catalog:
        catalog.put_place(given_place)
        catalog.seal(given_roll)
        catalog.seal(given_roll)
        assert catalog.places() == (given_place,)
        assert catalog.rolls() == (given_roll.head,)
        assert catalog.roll(given_roll.head.id) == given_roll


def test_a_place_put_again_is_updated_and_the_oldest_comes_first(catalog: SqliteCatalog) -> None:
    younger = place(SECOND, created_at=NOW + timedelta(days=1))
    catalog.put_place(younger)
    catalog.put_place(place(location="/old"))
    catalog.put_place(place(location="/new", spins=True, size_bytes=4))
    assert catalog.places() == (place(location="/new", spins=True, size_bytes=4), younger)


def test_a_second_place_of_one_name_is_refused(catalog: SqliteCatalog) -> None:
    catalog.put_place(place(name="travel"))
    with pytest.raises(UsageError, match=r"There is a place named travel already\. Choose another"):
        catalog.put_place(place(SECOND, name="travel"))
    assert catalog.places() == (place(name="travel"),)


def test_a_time_of_another_zone_is_kept_as_the_same_instant(catalog: SqliteCatalog) -> None:
    there = NOW.astimezone(timezone(timedelta(hours=5, minutes=45)))
    catalog.record(facts=[fact(at=there)])
    (found,) = catalog.facts_at(MAIN)
    assert found.at == NOW
    assert found.at.utcoffset() == timedelta(0)


def test_two_facts_of_one_instant_that_differ_in_anything_are_both_kept(
    catalog: SqliteCatalog,
) -> None:
    alike = {
        fact(),
        fact(cold=False),
        fact(evidence=""),
        fact(version=""),
        fact(version="v1"),
        fact(mount=""),
        fact(note="by hand"),
        fact(damage=((0, 4),)),
        fact(way=Way.REHASH),
        fact(result=Result.DAMAGED),
    }
    catalog.record(facts=alike)
    assert everything(catalog) == Counter(alike)


def test_contents_come_back_and_only_the_known_ones(catalog: SqliteCatalog) -> None:
    catalog.record(contents=[content(1), content(2, digests={"md5": "0" * 32})])
    catalog.record(facts=[fact(3)])  # names a content that nobody described
    found = catalog.contents([name_of(n) for n in (1, 2, 3, 4)])
    assert found == {
        name_of(1): content(1),
        name_of(2): content(2, digests={"md5": "0" * 32}),
    }
    assert catalog.contents([]) == {}


def test_a_digest_that_comes_later_is_added(catalog: SqliteCatalog) -> None:
    catalog.record(contents=[content(1, digests={"md5": "0" * 32})])
    catalog.record(contents=[content(1)])
    catalog.record(contents=[content(1, digests={"c4": "c4x"})])
    both = content(1, digests={"md5": "0" * 32, "c4": "c4x"})
    assert catalog.contents([name_of(1)]) == {name_of(1): both}


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(content(1, size=6), id="another size"),
        pytest.param(content(1, digests={"md5": "1" * 32}), id="another md5"),
    ],
)
def test_one_name_for_two_contents_is_refused_and_nothing_of_it_is_kept(
    catalog: SqliteCatalog, other: Content
) -> None:
    first = content(1, digests={"md5": "0" * 32})
    catalog.record(contents=[first])
    with pytest.raises(CatalogError, match="differ in size or in another digest"):
        catalog.record(contents=[content(2), other], facts=[fact()])
    assert catalog.contents([name_of(1), name_of(2)]) == {name_of(1): first}
    assert list(catalog.facts_at(MAIN)) == []


def test_files_are_taken_replaced_and_gone_from_the_open_roll_once_it_is_sealed(
    catalog: SqliteCatalog,
) -> None:
    first = RollFile(path="b.MP4", content=name_of(1), size=1, mtime_ns=-1)
    again = RollFile(path="b.MP4", content=name_of(2), size=2, mtime_ns=2)
    other = RollFile(path="a\udcff.MP4", content=name_of(3), size=3, mtime_ns=3)
    catalog.record(taken=(OPEN, [first]))
    later = OpenRoll(
        shoot="other", source="o", name="o", folder=FOLDER, begun_at=NOW + timedelta(days=1)
    )
    catalog.record(taken=(later, [again, other]))
    assert catalog.open_rolls() == (OPEN,)
    assert catalog.taken(FOLDER) == (other, again)
    assert catalog.taken("elsewhere") == ()
    assert catalog.sealed_among([name_of(2)]) == frozenset()
    catalog.seal(roll([2, 3]))
    assert catalog.open_rolls() == ()
    assert catalog.taken(FOLDER) == ()
    assert catalog.sealed_among([name_of(n) for n in (1, 2, 3)]) == {name_of(2), name_of(3)}


def test_sealing_an_id_again_changes_nothing(catalog: SqliteCatalog) -> None:
    catalog.seal(roll([1], name="Roll 01"))
    catalog.seal(roll([1], name="Roll 02"))
    assert [head.name for head in catalog.rolls()] == ["Roll 01"]


def test_rolls_come_by_shoot_source_and_name(catalog: SqliteCatalog) -> None:
    for ident, name in (("x", "Roll 03"), ("z", "Roll 01"), ("y", "Roll 02")):
        catalog.seal(roll([1], ident=ident, name=name))
    assert [head.name for head in catalog.rolls()] == ["Roll 01", "Roll 02", "Roll 03"]


def test_where_rolls_have_a_content_and_which_contents_hash_alike(catalog: SqliteCatalog) -> None:
    catalog.record(contents=[content(1), content(2)])
    catalog.seal(roll([1, 2]))
    catalog.seal(roll([1], ident="other", name="Roll 02"))
    homes = catalog.homes_of([name_of(1), name_of(1), name_of(3)])
    assert homes.keys() == {name_of(1)}
    files = {head.folder: catalog.roll(head.id).files for head in catalog.rolls()}
    assert sorted(homes[name_of(1)]) == sorted(
        (folder, file.path)
        for folder, its in files.items()
        for file in its
        if file.content == name_of(1)
    )
    one = content(1)
    assert catalog.contents_like(one.size, one.xxh128) == (one,)
    assert catalog.contents_like(one.size + 1, one.xxh128) == ()


def test_a_roll_that_is_not_known_is_told(catalog: SqliteCatalog) -> None:
    with pytest.raises(CatalogError, match="knows no roll nothing"):
        catalog.roll(RollId("nothing"))


def test_facts_are_found_by_folder_and_never_by_the_beginning_of_a_name(
    catalog: SqliteCatalog,
) -> None:
    below = [fact(path=path) for path in ("Wide", "Wide/a", "Wide/b/\udcff", "Wide/\x00x")]
    beside = [fact(path=path) for path in ("Wide 2/a", "Wide-b", "Wide0", "Wid", "wide/a", "Wide.")]
    catalog.record(facts=[*below, *beside, fact(place=SECOND, path="Wide/a")])
    assert Counter(catalog.facts_at(MAIN, below="Wide")) == Counter(below)
    assert Counter(catalog.facts_at(MAIN, below="Wide/")) == Counter(below)
    assert Counter(catalog.facts_at(MAIN)) == Counter([*below, *beside])
    assert list(catalog.facts_at(MAIN, below="nothing")) == []
    assert list(catalog.facts_at(BUCKET)) == []


def test_facts_of_any_number_of_contents_each_once(catalog: SqliteCatalog) -> None:
    all_facts = [fact(n, path=f"{n}") for n in range(1234)]
    catalog.record(facts=all_facts)
    asked = [name_of(n) for n in range(1100)]
    assert Counter(catalog.facts_of([*asked, *asked])) == Counter(all_facts[:1100])
    assert list(catalog.facts_of([])) == []


def test_facts_of_a_roll_are_those_of_its_contents_at_any_place(catalog: SqliteCatalog) -> None:
    catalog.seal(roll([1, 1, 2]))
    mine = [fact(1), fact(1, place=SECOND, path="moved/x"), fact(2, place=BUCKET)]
    catalog.record(facts=[*mine, fact(3)])
    assert Counter(catalog.facts_of_roll(RollId("roll"))) == Counter(mine)
    assert list(catalog.facts_of_roll(RollId("nothing"))) == []


def test_one_may_record_while_facts_stream_by(catalog: SqliteCatalog) -> None:
    catalog.record(facts=[fact(n, path=f"{n}") for n in range(300)])
    seen = 0
    for found in catalog.facts_at(MAIN):
        catalog.record(
            facts=[fact(1, path=f"{found.path} again", at=NOW + timedelta(seconds=seen))]
        )
        seen += 1
    assert seen == 300
    assert sum(everything(catalog).values()) == 600


def test_a_place_holds_what_was_not_found_missing_last(catalog: SqliteCatalog) -> None:
    gone = {"result": Result.MISSING, "way": Way.LOOKED, "at": NOW + timedelta(days=1)}
    back = {"way": Way.WRITTEN, "at": NOW + timedelta(days=2)}
    catalog.record(
        contents=[content(n, size=10**n) for n in range(5)],
        facts=[
            *(fact(n, path=f"{n}") for n in range(5)),
            fact(1, path="1", **gone),
            fact(2, path="2", **gone),
            fact(2, path="2", **back),
            fact(3, path="3", **{**gone, "at": NOW}),
            fact(4, path="4", result=Result.DAMAGED),
            fact(9, path="not described"),
            fact(0, path="elsewhere", place=SECOND),
        ],
    )
    assert catalog.holdings(MAIN) == (4, 1 + 100 + 10_000)
    assert catalog.holdings(SECOND) == (1, 1)
    assert catalog.holdings(BUCKET) == (0, 0)


def test_what_a_place_holds_is_counted_anew_after_whoever_wrote(
    catalog: SqliteCatalog, file: str
) -> None:
    catalog.record(contents=[content(1)], facts=[fact(1, path="1")])
    assert catalog.holdings(MAIN) == (1, 5)
    with closing(open_catalog(file, clock=Watch())) as other:
        other.record(facts=[fact(1, path="2")])
    assert catalog.holdings(MAIN) == (2, 10)
    with pytest.raises(CatalogError), catalog.transaction():  # noqa: PT012 - two things fail together
        catalog.record(facts=[fact(1, path="3")])
        assert catalog.holdings(MAIN) == (3, 15)
        raise CatalogError("taken back")
    assert catalog.holdings(MAIN) == (2, 10)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.builds(
            fact,
            seed=st.integers(0, 3),
            path=st.sampled_from(["1", "2"]),
            at=st.integers(-4, 2).map(lambda day: NOW + timedelta(days=day)),
            way=st.sampled_from(Way),
            result=st.sampled_from([*Result, *[Result.MATCHES] * 5]),
            cold=st.booleans(),
        ),
        max_size=10,
    )
)
def test_a_place_holds_no_less_than_what_is_proven_there(given_facts: list[Fact]) -> None:
    """By what a place holds it is seen whether nights suffice: only else what is proven is counted."""
    with fresh() as catalog:
        catalog.record(contents=[content(n, size=10**n) for n in range(3)], facts=given_facts)
        loads = catalog.proof_ages(MAIN)
        files, size_bytes = catalog.holdings(MAIN)
        assert sum(load.files for load in loads) <= files
        assert sum(load.size_bytes for load in loads) <= size_bytes


NOT_STORABLE = {
    "a time without a zone": lambda: fact(at=datetime(2026, 6, 12)),  # noqa: DTZ001 - the fault itself
    "a digest in capitals": lambda: fact(content=Blake3("A" * 64)),
    "a digest too short": lambda: fact(content=Blake3("ab")),
    "a lone surrogate in the path": lambda: fact(path="\ud800"),
    "a lone surrogate in a note": lambda: fact(note="\ud800"),
    "a place that is no text": lambda: fact(place="\udcff"),
    "a range past 64 bits": lambda: fact(damage=((0, 2**63),)),
}


@pytest.mark.parametrize("what", NOT_STORABLE)
def test_what_could_not_come_back_equal_is_refused_whole(catalog: SqliteCatalog, what: str) -> None:
    with pytest.raises(CatalogError, match="Something can't be recorded"):
        catalog.record(facts=[fact(), NOT_STORABLE[what]()])
    assert list(catalog.facts_at(MAIN)) == []


def test_a_number_too_large_for_the_catalog_is_refused_whole(catalog: SqliteCatalog) -> None:
    file = RollFile(path="a", content=name_of(1), size=2**63, mtime_ns=0)
    with pytest.raises(CatalogError, match="Something can't be recorded"):
        catalog.record(facts=[fact()], taken=(OPEN, [file]))
    assert list(catalog.facts_at(MAIN)) == []
    assert catalog.open_rolls() == ()


def test_an_error_of_the_callers_own_iterable_passes_untouched_and_nothing_is_kept(
    catalog: SqliteCatalog,
) -> None:
    broken = ValueError("theirs")

    def theirs() -> Iterator[Fact]:
        yield fact()
        raise broken

    with pytest.raises(ValueError, match="theirs") as caught:
        catalog.record(facts=theirs())
    assert caught.value is broken
    assert list(catalog.facts_at(MAIN)) == []


def test_the_words_of_the_schema_are_those_of_the_model(catalog: SqliteCatalog, file: str) -> None:
    import sqlite3  # noqa: PLC0415 - an outside look at the file, for this test alone

    catalog.record(facts=[fact(way=way) for way in Way] + [fact(result=found) for found in Result])
    with closing(sqlite3.connect(f"file:{Path(file)}?mode=ro", uri=True)) as outside:
        ways = dict(outside.execute("SELECT no, name FROM ways"))
        results = dict(outside.execute("SELECT no, name FROM results"))
        used = {ways[no] for (no,) in outside.execute("SELECT DISTINCT way FROM facts")}
        found = {results[no] for (no,) in outside.execute("SELECT DISTINCT result FROM facts")}
    assert used == set(Way) == set(ways.values())
    assert found == set(Result) == set(results.values())
