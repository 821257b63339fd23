"""What places hold is counted on by whoever writes; held against a walk over every copy."""

import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import timedelta

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import CatalogError
from backupkeeper.core.model import PlaceId, Result, Way
from tests.catalog.made import BUCKET, MAIN, NOW, SECOND, Watch, content, fact
from tests.catalog.test_recording import fresh

PLACES = (MAIN, SECOND, BUCKET)
WALK = """
SELECT count(*), COALESCE(sum(k.size), 0)
FROM copies c LEFT JOIN contents k ON k.no = c.content
WHERE c.place = (SELECT no FROM place_ids WHERE id = ?) AND NOT EXISTS (
    SELECT 1 FROM facts m WHERE m.copy = c.no AND m.result = 4
      AND NOT EXISTS (SELECT 1 FROM facts l WHERE l.copy = m.copy AND l.at > m.at AND l.result <> 4)
)
"""
Change = Callable[[SqliteCatalog], object]

FACTS = st.builds(
    fact,
    seed=st.integers(0, 4),
    path=st.sampled_from(["1", "2"]),
    place=st.sampled_from(PLACES),
    at=st.integers(-2, 2).map(lambda day: NOW + timedelta(days=day)),
    way=st.sampled_from([Way.WRITTEN, Way.LOOKED]),
    result=st.sampled_from([Result.MATCHES, Result.MATCHES, Result.MISSING]),
)


@st.composite
def recorded(draw: st.DrawFn) -> Change:
    """Copies may be known before their content is described; what differs from what was told is refused."""
    facts = draw(st.lists(FACTS, max_size=4))
    described = draw(st.sets(st.integers(0, 4), max_size=2))
    contents = [content(number, size=10**number) for number in sorted(described)]

    def change(catalog: SqliteCatalog) -> None:
        with suppress(CatalogError):
            catalog.record(contents=contents, facts=facts)

    return change


@st.composite
def by_hand(draw: st.DrawFn) -> Change:
    statement = draw(
        st.sampled_from(
            [
                "DELETE FROM contents WHERE no = 2",
                "UPDATE contents SET size = size + 7 WHERE no < 3",
                "DELETE FROM copies WHERE no = (SELECT max(no) FROM copies)",
                "UPDATE OR IGNORE copies SET place = 1 WHERE no = (SELECT max(no) FROM copies)",
                "UPDATE OR IGNORE copies SET content = 1 WHERE no = (SELECT max(no) FROM copies)",
            ]
        )
    )

    def change(catalog: SqliteCatalog) -> None:
        with closing(sqlite3.connect(catalog._path, isolation_level=None)) as connection:
            connection.execute(statement)

    return change


def walked(catalog: SqliteCatalog, place: PlaceId) -> tuple[int, int]:
    with closing(sqlite3.connect(catalog._path)) as connection:
        files, size = connection.execute(WALK, (place,)).fetchone()
    return files, size


@settings(max_examples=80, deadline=None)
@given(st.lists(st.one_of(recorded(), recorded(), by_hand()), max_size=8))
def test_what_a_place_holds_is_what_a_walk_over_its_copies_finds(changes: list[Change]) -> None:
    with fresh() as catalog:
        for change in changes:
            change(catalog)
            for place in PLACES:
                assert catalog.holdings(place) == walked(catalog, place)


def test_what_is_taken_back_is_not_counted(catalog: SqliteCatalog) -> None:
    catalog.record(contents=[content(1)], facts=[fact(1, path="1")])
    with pytest.raises(KeyError), catalog.transaction():  # noqa: PT012 - two things fail together
        catalog.record(facts=[fact(1, path="2")])
        raise KeyError
    assert catalog.holdings(MAIN) == walked(catalog, MAIN) == (1, 5)


def test_a_catalog_of_before_is_counted_once(catalog: SqliteCatalog, file: str) -> None:
    catalog.record(contents=[content(1)], facts=[fact(1, path="1"), fact(2, path="2")])
    catalog.close()
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("DROP TABLE drawn")
        connection.execute("DROP TABLE held")
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'trigger' AND (name LIKE 'held%' OR name LIKE 'drawn%')"
        ).fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("PRAGMA user_version = 10")
    with closing(open_catalog(file, clock=Watch())) as again:
        assert again.holdings(MAIN) == walked(again, MAIN) == (2, 5)
