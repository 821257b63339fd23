"""Uploads under way: remembered over a restart, forgotten once, never mixed up."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings

from backupkeeper.catalog import opening
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.uploads import Begun
from tests.catalog.made import BUCKET, NOW, SECOND, Watch, fact, name_of, paths, place, texts

BEGUN = Begun(
    key="260612 Boatyard/Originals/Wide/Roll 01/A001.MP4",
    content=name_of(1),
    upload="2~an id with odd signs /+=",
    part_bytes=16 * 1024 * 1024,
    check="sha256",
    enforced=("content-md5", "x-amz-content-sha256"),
    ticket="a ticket",
    begun_at=NOW,
)


def test_what_was_begun_is_known_to_the_next_program(file: str) -> None:
    later = replace(BEGUN, upload="another", begun_at=NOW + timedelta(days=1), enforced=())
    with closing(open_catalog(file, clock=Watch())) as catalog:
        catalog.upload_begun(BUCKET, later)  # of a place that nobody described yet
        catalog.upload_begun(BUCKET, replace(BEGUN, check=None))
        catalog.upload_begun(SECOND, BEGUN)
    with closing(open_catalog(file, clock=Watch())) as catalog:
        catalog.put_place(place(BUCKET))
        assert catalog.uploads(BUCKET) == (replace(BEGUN, check=None), later)
        assert catalog.uploads(SECOND) == (BEGUN,)


def test_the_same_upload_told_twice_is_one_and_forgotten_it_is_gone(catalog: SqliteCatalog) -> None:
    catalog.upload_begun(BUCKET, BEGUN)
    catalog.upload_begun(BUCKET, BEGUN)
    catalog.upload_ended(BUCKET, replace(BEGUN, upload="another"))
    catalog.upload_ended(SECOND, BEGUN)
    assert catalog.uploads(BUCKET) == (BEGUN,)
    catalog.upload_ended(BUCKET, BEGUN)
    catalog.upload_ended(BUCKET, BEGUN)
    assert catalog.uploads(BUCKET) == ()


def test_an_end_that_was_not_recorded_is_no_end(catalog: SqliteCatalog) -> None:
    catalog.upload_begun(BUCKET, BEGUN)

    def interrupted() -> None:
        with catalog.transaction():
            catalog.record(facts=[fact()])
            catalog.upload_ended(BUCKET, BEGUN)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert catalog.uploads(BUCKET) == (BEGUN,)


def memory() -> SqliteCatalog:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    opening.migrate(connection, ":memory:", opening.scripts())
    return SqliteCatalog(connection, ":memory:", clock=Watch(), checked="")


@settings(max_examples=40)
@given(paths, texts)
def test_any_key_and_any_id_come_back_as_they_were(key: str, upload: str) -> None:
    begun = replace(BEGUN, key=key, upload=upload)
    with closing(memory()) as catalog:
        catalog.upload_begun(BUCKET, begun)
        assert catalog.uploads(BUCKET) == (begun,)
