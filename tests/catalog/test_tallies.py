"""What is counted over all copies, held against counting every fact one by one."""

import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import closing
from datetime import datetime, timedelta

from hypothesis import given, settings, strategies as st

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.model import Fact, PlaceId, Result, Role, Way
from backupkeeper.core.standing import AgeTally, FirstTally, PlaceTally, scale_of
from tests.catalog.made import BUCKET, MAIN, NOW, SECOND, Watch, content, fact, place, roll

DAY = timedelta(days=1)
EDGES = (7 * DAY, 30 * DAY)
FOLDER = roll([1]).head.folder
PLACES = {MAIN: Role.PRIMARY, SECOND: Role.PRIMARY, BUCKET: Role.CLOUD}


def one_by_one(facts: Sequence[Fact]) -> Mapping[tuple[PlaceId, str, str], datetime | None]:
    """The newest proof that nothing undid, of each copy that is there."""
    copies: dict[tuple[PlaceId, str, str], list[Fact]] = {}
    for one in facts:
        copies.setdefault((one.place, one.path, one.content), []).append(one)
    found: dict[tuple[PlaceId, str, str], datetime | None] = {}
    for copy, known in copies.items():
        gone = [one.at for one in known if one.result is Result.MISSING]
        there = [one.at for one in known if one.result is not Result.MISSING]
        if gone and not (there and max(there) > max(gone)):
            continue
        proofs = [one for one in known if one.is_proof and one.at <= NOW]
        at = max((one.at for one in proofs), default=None)
        if at is not None:
            versions = {
                one.version for one in known if one.at == at and one.result is Result.MATCHES
            }
            undone = any(
                (one.result is not Result.MATCHES and one.at >= at)
                or (one.way is Way.WRITTEN and one.at > at)
                or (
                    one.way is not Way.WRITTEN
                    and one.result is Result.MATCHES
                    and one.at >= at
                    and one.version not in versions
                )
                for one in known
            )
            at = None if undone else at
        found[copy] = at
    return found


def opened(folder: str, facts: Sequence[Fact]) -> SqliteCatalog:
    catalog = open_catalog(f"{folder}/catalog.sqlite", clock=Watch())
    for number, (ident, role) in enumerate(PLACES.items()):
        catalog.put_place(place(ident, name=f"place {number}", role=role))
    catalog.record(contents=[content(1), content(2)], facts=facts)
    catalog.seal(roll([1, 2]))
    return catalog


FACTS = st.lists(
    st.builds(
        fact,
        st.sampled_from([1, 2]),
        at=st.sampled_from([-1, 0, 3, 7, 8, 29, 30, 400]).map(lambda days: NOW - days * DAY),
        place=st.sampled_from(list(PLACES)),
        path=st.sampled_from([f"{FOLDER}/DCIM/CLIP0000.MP4", f"{FOLDER}/DCIM/CLIP0001.MP4"]),
        way=st.sampled_from(list(Way)),
        result=st.sampled_from([Result.MATCHES, Result.MATCHES, Result.MATCHES, *Result]),
        cold=st.booleans(),
        version=st.sampled_from([None, "v1", "v2"]),
    ),
    max_size=8,
)


@settings(deadline=None)
@given(FACTS)
def test_places_and_ages_are_counted_as_one_by_one(facts: list[Fact]) -> None:
    with tempfile.TemporaryDirectory() as folder, closing(opened(folder, facts)) as catalog:
        found = catalog.tallies(NOW, EDGES, None)
    expected = one_by_one(facts)
    ages: dict[tuple[PlaceId, int | None], int] = {}
    for (ident, _, _), at in expected.items():
        number = None if at is None else sum(NOW - at >= edge for edge in EDGES)
        ages[ident, number] = ages.get((ident, number), 0) + 1
    assert {(one.place, one.bin): one.files for one in found.ages} == ages
    assert {(one.place, one.bin): one.size_bytes for one in found.ages} == {
        key: 5 * files for key, files in ages.items()
    }
    assert found.firsts == ()
    had = {(one.place, one.content) for one in facts}
    lost = had - {(ident, name) for ident, _, name in expected}
    assert found.missing == Counter(ident for ident, _ in lost)
    assert found.changed == {one.content for one in facts if one.result is Result.CHANGED}
    for ident, tally in found.places.items():
        proofs = [at for (where, _, _), at in expected.items() if where == ident and at is not None]
        assert tally.last_proven == max(proofs, default=None)
        assert tally.oldest_proof == min(proofs, default=None)
        fetched = {
            (one.path, one.content)
            for one in facts
            if one.place == ident and one.way is Way.DOWNLOADED and one.result is Result.MATCHES
        }
        there = {(path, name) for where, path, name in expected if where == ident}
        assert tally.fetched_files == len(fetched & there)


def test_what_was_first_proven_in_a_role_is_counted_once_when_its_roll_was_sealed_or_later(
    catalog: SqliteCatalog,
) -> None:
    for number, (ident, role) in enumerate(PLACES.items()):
        catalog.put_place(place(ident, name=f"place {number}", role=role))
    catalog.record(
        contents=[content(1), content(2)],
        facts=[
            fact(1, at=NOW - 9 * DAY),
            fact(1, at=NOW - 8 * DAY, place=SECOND),
            fact(2, at=NOW + 50 * DAY, place=SECOND),
            fact(2, at=NOW + 3 * DAY, place=BUCKET, way=Way.ATTESTED),
            fact(2, at=NOW, place=BUCKET, way=Way.LOOKED),
        ],
    )
    catalog.seal(roll([1, 2, 1]))
    later = NOW + 10 * DAY
    scale = scale_of(catalog.rolls(), later)
    assert scale is not None
    found = catalog.tallies(later, EDGES, scale)
    days = scale.count // 10
    assert sorted(found.firsts, key=lambda one: one.role) == [
        FirstTally(role=Role.CLOUD, step=3 * days, size_bytes=5),
        FirstTally(role=Role.PRIMARY, step=0, size_bytes=10),
    ]


def test_an_empty_catalog_has_nothing_to_count(catalog: SqliteCatalog) -> None:
    found = catalog.tallies(NOW, EDGES, None)
    assert (found.places, found.ages, found.firsts) == ({}, (), ())


def test_a_copy_that_was_never_proven_is_told_as_that(catalog: SqliteCatalog) -> None:
    catalog.put_place(place())
    catalog.record(facts=[fact(1, way=Way.WRITTEN, cold=False)])
    found = catalog.tallies(NOW, EDGES, None)
    assert found.places == {MAIN: PlaceTally()}
    assert found.ages == (AgeTally(place=MAIN, bin=None, files=1, size_bytes=0),)
