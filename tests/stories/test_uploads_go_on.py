"""Uploads that are interrupted and taken up again: through the catalog, as a person lives with it."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import NoReturn

import pytest

from backupkeeper.core.model import CopyState, Role, Standing
from backupkeeper.core.outcomes import Trouble, UploadOutcome
from backupkeeper.core.uploads import Begun
from backupkeeper.daemon.memory import Memory
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import AtAdvance
from tests.stories.yard import QUIET, SHOOT, clip, roll_folder
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

MIB = 1024 * 1024
LARGE = "DCIM/100BOATY/BOAT0001.MP4"
CARD = {LARGE: clip(1, 40 * MIB), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}
KEY = f"{SHOOT}/Originals/Wide/Roll 01/{LARGE}"
ENFORCED = frozenset({"content-md5"})


class BucketYard(ScopedYard):
    """A yard with a bucket, and its store seen from behind."""

    rules: Rules

    def parts(self) -> list[int]:
        """Numbers of the parts that the store was sent since the last time."""
        sent = [path for verb, path, _ in self.rules.seen if verb == "PUT" and "partNumber" in path]
        self.rules.seen.clear()
        return [
            int(path.partition("partNumber=")[2].partition("&")[0])
            for path in sent
            if "BOAT0001" in path
        ]

    def upload(self, *, stopped_at: int = 0) -> UploadOutcome | None:
        """Upload, or be stopped after so many blocks."""

        def stop() -> NoReturn:
            raise KeyboardInterrupt

        with self.keeper() as keeper:
            if not stopped_at:
                return keeper.upload(progress=QUIET)[0]
            with pytest.raises(KeyboardInterrupt):
                keeper.upload(progress=AtAdvance(stopped_at, stop))
        return None

    def begun(self) -> tuple[Begun, ...]:
        place = self.place("Off site")
        with self.context() as context:
            return context.catalog.uploads(place)


@pytest.fixture
def yard(
    tmp_path: Path, credentials: object, at_once: object, one_loader: object
) -> Iterator[BucketYard]:
    rules = Rules(refuses_on_put=ENFORCED, refuses_on_part=ENFORCED)
    with refusing_store(rules) as url:
        yard = BucketYard(tmp_path, policy="distinct_devices = false")
        yard.rules = rules
        yard.drives()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=url, profile=None
            )
        assert yard.offload(yard.card("card", CARD)).sealed
        yield yard


def test_three_weeks_later_only_the_rest_is_sent(yard: BucketYard) -> None:
    yard.upload(stopped_at=11)  # the small file, then 40 MiB: ten blocks in three parts
    (begun,) = yard.begun()
    assert (begun.key, begun.enforced) == (KEY, ("content-md5",))
    assert LARGE not in yard.copies("Off site")
    there = set(yard.rules.uploads[begun.upload][1])
    yard.parts()
    yard.clock.at += timedelta(weeks=3)
    outcome = yard.upload()
    assert outcome is not None
    assert (outcome.sent_files, outcome.troubles) == (1, ())
    assert set(yard.parts()) == {1, 2, 3} - there
    assert yard.begun() == ()
    assert yard.rules.uploads == {}
    assert yard.rules.objects[f"yard/footage/{KEY}"][0] == CARD[LARGE]
    assert yard.states("Off site") == {CopyState.PROVEN}


def test_the_daemon_goes_on_where_a_command_was_stopped(yard: BucketYard) -> None:
    yard.upload(stopped_at=11)
    there = set(yard.rules.uploads[yard.begun()[0].upload][1])
    yard.parts()
    assert yard.upload_one(origin="Travel").troubles == ()
    assert set(yard.parts()) == {1, 2, 3} - there
    assert yard.begun() == ()


def test_the_other_drive_goes_on_where_this_one_has_rotted(yard: BucketYard) -> None:
    file = roll_folder(yard.root / "Main") / LARGE
    data = bytearray(file.read_bytes())
    data[36 * MIB] ^= 1
    file.write_bytes(data)
    outcome = yard.upload()
    assert outcome is not None
    assert outcome.sent_files == 2
    assert sorted(set(yard.parts())) == [1, 2, 3]
    assert yard.rules.objects[f"yard/footage/{KEY}"][0] == CARD[LARGE]
    assert yard.begun() == ()


def test_a_store_that_forgot_the_upload_is_sent_all_of_it_in_the_same_run(yard: BucketYard) -> None:
    yard.upload(stopped_at=11)
    yard.rules.uploads.clear()
    outcome = yard.upload()
    assert outcome is not None
    assert (outcome.sent_files, outcome.troubles) == (1, ())
    assert yard.rules.objects[f"yard/footage/{KEY}"][0] == CARD[LARGE]


def test_an_object_that_was_made_before_the_kill_is_recognised(yard: BucketYard) -> None:
    """Killed between the store's answer and the catalog: nothing is sent or fetched again."""
    yard.upload(stopped_at=11)
    (begun,) = yard.begun()
    with sqlite3.connect(yard.root / "catalog.sqlite") as connection:
        before = connection.execute("SELECT * FROM uploads_under_way").fetchall()
    assert yard.upload() is not None
    with closing(sqlite3.connect(yard.root / "catalog.sqlite", isolation_level=None)) as connection:
        connection.execute("DELETE FROM facts WHERE way = 4")
        connection.execute(
            f"INSERT INTO uploads_under_way VALUES ({', '.join('?' * 9)})", before[0]
        )
    assert yard.begun() == (begun,)
    yard.rules.seen.clear()
    outcome = yard.upload()
    assert outcome is not None
    assert outcome.fetched_back is None
    assert yard.parts() == []
    assert not [path for verb, path, _ in yard.rules.seen if verb == "GET" and "BOAT0001" in path]
    assert yard.states("Off site") == {CopyState.PROVEN}
    assert yard.begun() == ()


def strange(begun: Begun, yard: BucketYard, *, days: int) -> Begun:
    """An upload of ours to a key that nobody wants any more."""
    upload = f"of {days} days"
    key = f"{SHOOT}/Originals/Wide/Roll 07/{days}"
    yard.rules.uploads[upload] = (f"yard/footage/{key}", {}, {})
    at = yard.clock.at - timedelta(days=days)
    return replace(begun, key=key, upload=upload, begun_at=at)


@pytest.mark.parametrize(
    "deed",
    [
        lambda yard: yard.upload_one(origin="Main").troubles,
        lambda yard: yard.upload().troubles,
    ],
    ids=["a deed of the daemon's", "the command"],
)
def test_stale_uploads_of_ours_are_given_up_and_others_are_left_alone(
    yard: BucketYard, deed: Callable[[BucketYard], tuple[Trouble, ...]]
) -> None:
    yard.upload(stopped_at=11)
    (begun,) = yard.begun()
    place = yard.place("Off site")
    old, young = strange(begun, yard, days=8), strange(begun, yard, days=6)
    with yard.context() as context:
        context.catalog.upload_begun(place, old)
        context.catalog.upload_begun(place, young)
    yard.rules.uploads["theirs"] = ("yard/footage/theirs", {}, {})
    assert deed(yard) == ()
    assert yard.begun() == (young,)
    assert set(yard.rules.uploads) == {young.upload, "theirs"}


def test_an_upload_of_another_roll_is_left_alone_while_that_wants_sending(
    yard: BucketYard,
) -> None:
    yard.upload(stopped_at=11)
    begun = yard.begun()
    yard.clock.at += timedelta(days=60)
    assert yard.offload(yard.card("another", {"BOAT0009.MP4": clip(9)})).sealed
    assert yard.upload_one(origin="Main", roll="Roll 02").troubles == ()
    assert yard.begun() == begun
    assert set(yard.rules.uploads) == {begun[0].upload}
    assert yard.upload_one(origin="Main").sent_files == 1
    assert yard.begun() == ()


def test_uploads_to_a_bucket_that_is_given_up_are_forgotten_after_days_without_asking_it(
    yard: BucketYard,
) -> None:
    yard.upload(stopped_at=11)
    (begun,) = yard.begun()
    with yard.context() as context:
        (place,) = (one for one in context.catalog.places() if one.name == "Off site")
        context.catalog.put_place(replace(place, standing=Standing.RETIRED))
        yard.rules.seen.clear()
        memory = Memory(context.catalog, yard.clock)
        memory.tick(yard.clock.at)
        assert context.catalog.uploads(place.id) == (begun,)  # it may have been a mistake
        yard.clock.at += timedelta(days=7)
        memory.tick(yard.clock.at)
        assert context.catalog.uploads(place.id) == ()
        context.catalog.upload_begun(place.id, begun)
        context.catalog.put_place(replace(place, standing=Standing.ACTIVE))
        yard.clock.at += timedelta(days=7)
        memory.tick(yard.clock.at)
        assert context.catalog.uploads(place.id) == (begun,)
    assert yard.rules.seen == []


def test_an_upload_whose_drive_is_away_waits_however_long_it_takes(yard: BucketYard) -> None:
    yard.upload(stopped_at=11)
    begun = yard.begun()
    for drive in ("Main", "Travel"):
        (yard.root / drive).rename(yard.root / f"{drive} away")
    yard.clock.at += timedelta(days=60)
    assert yard.upload() is not None
    assert yard.begun() == begun
    assert yard.upload_one(origin=None).troubles == ()
    assert yard.begun() == begun
    for drive in ("Main", "Travel"):
        (yard.root / f"{drive} away").rename(yard.root / drive)
    assert yard.upload() is not None
    assert yard.begun() == ()
    assert yard.states("Off site") == {CopyState.PROVEN}
