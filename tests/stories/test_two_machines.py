"""Two edit machines with the same drives in turn and the same bucket: neither does the other's work again.

Each machine's daemon is played by its deeds, as workers do them, in the planner's order.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.actions.snapshots import keep_snapshots
from backupkeeper.actions.upload import upload_roll
from backupkeeper.catalog.snapshot import catalog_id
from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.errors import OutOfReachError
from backupkeeper.core.hearing import heard_from, refusals
from backupkeeper.core.merging import MergeWish
from backupkeeper.core.model import EventKind, PlaceId, Role, Standing
from backupkeeper.core.snapshots import FOLDER, SnapshotName, snapshot_name
from backupkeeper.daemon.doing import do
from backupkeeper.daemon.errand import Finished
from backupkeeper.daemon.memory import Memory
from tests.cloud.line import Line
from tests.real.store import Server
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, HandClock, clip

pytest_plugins = ["tests.real.store_fixtures"]

ONE = {"DCIM/WIDE0001.MP4": clip(1), "DCIM/WIDE0002.MP4": clip(2)}
TWO = {"DCIM/CLOSE01.MP4": clip(3)}


@dataclass
class Machine(ScopedYard):
    """One of the two."""

    def hears(self, place: str) -> Finished:
        """The daemon's deed, if it is time for it."""
        ident = self.place(place)
        with self.context() as context:
            deed = Deed(kind=DeedKind.HEAR, why="", place=ident)
            return do(context, deed, QUIET)

    def is_time(self, place: str) -> bool:
        ident = self.place(place)
        with self.context() as context:
            memory = Memory(context.catalog, self.clock)
            places = context.catalog.places()
            now = self.clock.now()
            return ident in memory.unheard(places, [ident], now, timedelta(minutes=30))

    def uploads(self) -> int:
        """All rolls, as the daemon sends them; how many files were sent."""
        with self.context() as context:
            bucket, source = self.place("Off site"), self.place("Main")
            outcomes = [
                upload_roll(context, roll.id, bucket=bucket, source=source, progress=QUIET)
                for roll in context.catalog.rolls()
            ]
            return sum(one.sent_files for one in outcomes)

    def keeps(self) -> None:
        """A snapshot of what it knows, to every place that is here."""
        with self.context() as context:
            keep_snapshots(context, QUIET, brought=True)

    def told(self) -> Any:
        """What gaps says, without what each machine calls its own."""
        with self.keeper() as keeper:
            report = keeper.gaps()
        return report.rolls, report.unfinished, {one.name: one.role for one in report.places}


def machine(root: Path, clock: HandClock) -> Machine:
    root.mkdir()
    return Machine(root, policy="distinct_devices = false", clock=clock)


@pytest.fixture
def both(
    tmp_path: Path, server: Server, wire: Line, credentials: None, monkeypatch: pytest.MonkeyPatch
) -> tuple[Machine, Machine]:
    """A has the drives and the bucket; B, whose clock is an hour behind, heard of them from a drive."""
    now = datetime.now(UTC)
    one = machine(tmp_path / "a", HandClock(at=now))
    two = machine(tmp_path / "b", HandClock(at=now - timedelta(hours=1)))
    one.drives()
    with one.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{server.new_bucket()}/footage", role=Role.CLOUD, name="Off site",
            endpoint=wire.url, profile=None,
        )  # fmt: skip
    one.keeps()
    with two.keeper() as keeper:
        assert keeper.merge(MergeWish(sources=(str(one.root / "Main"),)), progress=QUIET).all_well
    return one, two


def test_neither_repeats_the_other_s_uploads_and_both_say_the_same(
    both: tuple[Machine, Machine],
) -> None:
    one, two = both
    one.offload(one.card("wide", ONE))
    assert one.uploads() == 2
    one.keeps()
    two.offload(two.card("close", TWO), source="Close")  # before it hears: names of rolls may meet
    assert two.hears("Off site").files == 1
    assert two.uploads() == 1  # only its own
    two.keeps()
    assert one.hears("Off site").files == 1
    assert one.uploads() == 0
    assert two.uploads() == 0
    assert one.told() == two.told()
    rolls = one.told()[0]
    assert {(roll.roll.source, roll.gaps) for roll in rolls} == {("Wide", ()), ("Close", ())}


def test_the_same_card_offloaded_on_both_is_one_roll(both: tuple[Machine, Machine]) -> None:
    one, two = both
    one.offload(one.card("wide", ONE))
    assert two.hears("Main").files == 1
    again = two.offload(two.card("wide", ONE))
    assert again.new_files == 0
    two.keeps()
    one.hears("Main")
    for yard in both:
        with yard.context() as context:
            assert len(context.catalog.rolls()) == 1


def test_a_place_called_lost_or_added_on_one_is_known_on_the_other(
    both: tuple[Machine, Machine],
) -> None:
    one, two = both
    one.drive("Third", Role.SECONDARY)
    one.clock.at += timedelta(minutes=5)
    with one.context() as context:
        context.catalog.stand(one.place("Travel"), Standing.LOST)
    one.keeps()
    two.hears("Off site")
    with two.context() as context:
        places = {place.name: place.standing for place in context.catalog.places()}
    assert places == {
        "Main": Standing.ACTIVE, "Off site": Standing.ACTIVE, "Third": Standing.ACTIVE,
        "Travel": Standing.LOST,
    }  # fmt: skip


def test_snapshots_of_both_stand_side_by_side_on_a_drive(both: tuple[Machine, Machine]) -> None:
    one, two = both
    for number in range(4):
        one.offload(one.card(f"a{number}", {f"DCIM/A{number}.MP4": clip(10 + number)}))
        two.hears("Main")
        two.offload(two.card(f"b{number}", {f"DCIM/B{number}.MP4": clip(20 + number)}))
        one.hears("Main")
    names = [snapshot_name(path.name) for path in (one.root / "Main" / FOLDER).iterdir()]
    catalogs = {name.catalog for name in names if name is not None}
    assert catalogs == {catalog_id(str(yard.root / "catalog.sqlite")) for yard in both}
    with one.context() as context, two.context() as other:
        assert {x.id for x in context.catalog.rolls()} >= {x.id for x in other.catalog.rolls()}


def test_what_was_heard_is_not_fetched_again_and_time_for_it_comes_again(
    both: tuple[Machine, Machine],
) -> None:
    one, two = both
    one.offload(one.card("wide", ONE))
    one.keeps()
    assert two.is_time("Off site")
    assert two.hears("Off site").files == 1
    assert not two.is_time("Off site")
    two.clock.at += timedelta(minutes=30)
    assert two.is_time("Off site")
    assert two.hears("Off site").files == 0
    assert two.hears("Main").files == 0  # the same, from elsewhere


def test_a_look_that_a_wrong_clock_dated_ahead_does_not_silence_the_next(
    both: tuple[Machine, Machine],
) -> None:
    _, two = both
    two.clock.at += timedelta(days=400)
    two.hears("Off site")
    two.clock.at -= timedelta(days=400)
    assert two.is_time("Off site")
    two.hears("Off site")
    assert not two.is_time("Off site")


def test_a_hostile_snapshot_is_refused_remembered_and_not_read_again(
    both: tuple[Machine, Machine],
) -> None:
    one, two = both
    one.offload(one.card("wide", ONE))
    folder = one.root / "Main" / FOLDER
    whole = snapshot_name(max(folder.iterdir()).name)
    assert whole is not None
    bad = SnapshotName(taken_at=one.clock.now(), catalog="e" * 32, blake3=whole.blake3)
    (folder / bad.text).write_bytes(b"nothing of the kind")
    with two.context() as context:
        before = context.catalog.places()
    came = two.hears("Main")
    assert "Not taken over" in came.said
    assert came.files == 1  # A's own, which is whole
    with two.context() as context:
        events = context.catalog.latest(EventKind.HEARD)
        assert {catalog for _, catalog in refusals(events)} == {"e" * 32}
        assert {place.id for place in context.catalog.places()} == {place.id for place in before}
    assert "Not taken over" not in two.hears("Main").said
    # It is told as long as it is the newest of that machine, and forgotten when a good one comes.
    with two.context() as context:
        heard = heard_from(context.catalog.latest(EventKind.HEARD)[two.place("Main")].detail)
    assert list(heard.refused) == [bad.text]


def test_what_is_bad_on_one_drive_is_taken_over_from_the_next(
    both: tuple[Machine, Machine],
) -> None:
    one, two = both
    one.offload(one.card("wide", ONE))
    newest = max((one.root / "Main" / FOLDER).iterdir())
    assert (one.root / "Travel" / FOLDER / newest.name).exists()
    newest.write_bytes(b"cut")
    for path in (one.root / "Main" / FOLDER).iterdir():
        if path != newest:
            path.unlink()
    assert two.hears("Main").files == 0
    assert two.hears("Travel").files == 1


@pytest.mark.real("store")
@pytest.mark.parametrize("server", ["radosgw"], indirect=True)
def test_where_nothing_could_be_looked_at_that_is_said_and_not_that_nothing_was_new(
    both: tuple[Machine, Machine], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, two = both
    one.offload(one.card("wide", ONE))
    one.keeps()
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "locked")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "lockedsecret")
    said = two.hears("Off site").said
    assert "What is there is not known" in said
    assert "new" not in said


def test_a_place_that_is_not_known_or_not_here(both: tuple[Machine, Machine]) -> None:
    one, two = both
    with two.context() as context, pytest.raises(OutOfReachError):
        do(context, Deed(kind=DeedKind.HEAR, why="", place=PlaceId("gone")), QUIET)
    (one.root / "Main").rename(one.root / "Away")
    with pytest.raises(OutOfReachError):
        two.hears("Main")
