"""A bucket is lost, renamed, replaced, and comes back."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from backupkeeper.actions.bucket_marker import bucket_marker
from backupkeeper.core.model import EventKind, PlaceId, PlaceKind, Role, Standing, Way
from backupkeeper.core.replacing import Replacement
from backupkeeper.core.uploads import Begun
from tests.catalog.made import NOW
from tests.stories.test_place_standing import put_in
from tests.stories.typed import typed, yard_of_today
from tests.stories.yard import QUIET, Yard
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

ENFORCED = frozenset({"content-md5", "x-amz-content-sha256"})


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return yard_of_today(tmp_path)


@pytest.fixture
def store(credentials: object, at_once: object, one_loader: object) -> Iterator[str]:
    with refusing_store(Rules(refuses_on_put=ENFORCED, refuses_on_part=ENFORCED)) as url:
        yield url


def told_by(yard: Yard, name: str) -> str:
    """What a bucket's own marker calls it."""
    with yard.keeper() as keeper:
        place = next(one for one in keeper.context.catalog.places() if one.name == name)
        found = bucket_marker(keeper.context.open_bucket(place))
        assert found is not None
        return found.name


def test_a_bucket_is_renamed_now_or_with_the_next_upload(yard: Yard, store: str) -> None:
    put_in(yard)
    with yard.keeper() as keeper:
        keeper.add_bucket(
            "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=store, profile=None
        )
        assert keeper.rename("Off site", "Vault", dry_run=False).marker_waits == ""
    assert told_by(yard, "Vault") == "Vault"
    with yard.keeper() as keeper:
        (place,) = (one for one in keeper.context.catalog.places() if one.name == "Vault")
        keeper.context.catalog.put_place(replace(place, endpoint="http://127.0.0.1:1"))
        assert keeper.rename("Vault", "Shelf", dry_run=False).marker_waits
        keeper.context.catalog.put_place(replace(place, name="Shelf"))
    assert told_by(yard, "Shelf") == "Vault"
    with yard.keeper() as keeper:
        keeper.upload(progress=QUIET)
    assert told_by(yard, "Shelf") == "Shelf"


def test_a_bucket_is_replaced_by_another_and_that_is_filled(yard: Yard, store: str) -> None:
    put_in(yard)
    with yard.keeper() as keeper:
        keeper.add_bucket(
            "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=store, profile=None
        )
        keeper.upload(progress=QUIET)
        assert Role.CLOUD not in keeper.gaps().rolls[0].gaps
        wanted = Replacement(
            old="Off site", where="s3://yard/anew", name="Elsewhere", endpoint=store
        )
        leaving = keeper.look_at_replacing(wanted, progress=QUIET)
        assert (leaving.copied, leaving.with_gaps) == ((2, 600_000), 1)
        done, taken = keeper.replace(wanted, leaving)
        assert done.done_at is not None
        assert taken.role is Role.CLOUD
        assert Role.CLOUD in keeper.gaps().rolls[0].gaps
        keeper.upload(progress=QUIET)
        assert Role.CLOUD not in keeper.gaps().rolls[0].gaps
        # The first one is found again: it is proven by fetching all of it, not by an old word.
        keeper.leave(keeper.look_at_leaving("Elsewhere", Standing.LOST, progress=QUIET))
        back = keeper.find_again("Off site")
        assert Role.CLOUD in keeper.gaps().rolls[0].gaps
        keeper.upload(progress=QUIET)
        assert Role.CLOUD not in keeper.gaps().rolls[0].gaps
        since = back.place.counts_from
        found = keeper.context.catalog.facts_at(back.place.id, since=since)
        assert {fact.way for fact in found if fact.is_proof} == {Way.DOWNLOADED}


def test_uploads_under_way_to_a_lost_bucket_are_forgotten(yard: Yard) -> None:
    put_in(yard)
    with yard.keeper() as keeper:
        (main, *_) = keeper.context.catalog.places()
        bucket = replace(
            main,
            id=PlaceId("0b1c2d3e-0000-4000-8000-000000000001"),
            name="Off site",
            role=Role.CLOUD,
            kind=PlaceKind.BUCKET,
            location="s3://yard/x",
        )
        keeper.context.catalog.put_place(bucket)
        head = keeper.context.catalog.rolls()[0]
        file = keeper.context.catalog.roll(head.id).files[0]
        keeper.context.catalog.upload_begun(
            bucket.id,
            Begun(
                key=f"{head.folder}/{file.path}",
                content=file.content,
                upload="u1",
                part_bytes=5 << 20,
                check=None,
                enforced=("content-md5",),
                ticket="t",
                begun_at=NOW,
            ),
        )
    said = typed(yard, "place", "lost", "Off site", "--yes")
    assert "1 upload under way to it" in said.out
    with yard.keeper() as keeper:
        assert keeper.context.catalog.uploads(bucket.id) == ()
        assert [e.detail for e in keeper.context.catalog.events([EventKind.STOOD])] == ["lost"]
