"""One roll into one bucket, as the daemon asks for it, against a store of our own that counts.

The store either refuses wrong bytes (then it attests) or takes anything (then all is fetched back).
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions.upload import upload_roll
from backupkeeper.core.errors import (
    BucketUnreachableError,
    DriveGoneError,
    OutOfReachError,
    PlaceHeldError,
    UsageError,
)
from backupkeeper.core.model import CopyState, Role, Standing, Way
from backupkeeper.core.outcomes import Finding, UploadOutcome
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import AtAdvance
from tests.stories.yard import QUIET, SHOOT, clip, roll_folder, rot
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/BOAT0003.MP4": clip(3),
}
KEY = f"yard/footage/{SHOOT}/Originals/Wide/Roll 01/DCIM/100BOATY/BOAT000{{}}.MP4"
ENFORCED = frozenset({"content-md5", "x-amz-content-sha256"})
DAY = timedelta(days=1)


class BucketYard(ScopedYard):
    """A yard with a bucket, and its store seen from behind."""

    rules: Rules

    def asked(self, method: str) -> list[str]:
        """Paths of the originals that the store was asked for since the last time."""
        paths = [path for verb, path, _ in self.rules.seen if verb == method and "MP4" in path]
        self.rules.seen.clear()
        return paths


@pytest.fixture(params=[ENFORCED, frozenset()], ids=["attests", "takes anything"])
def yard(
    request: pytest.FixtureRequest,
    tmp_path: Path,
    credentials: object,
    at_once: object,
    one_loader: object,
) -> Iterator[BucketYard]:
    rules = Rules(refuses_on_put=request.param, refuses_on_part=request.param)
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


def attests(yard: BucketYard) -> bool:
    return bool(yard.rules.refuses_on_put)


def upload(yard: BucketYard) -> UploadOutcome:
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    return outcome


def test_one_roll_arrives_proven_with_its_manifest(yard: BucketYard) -> None:
    yard.offload(yard.card("other", {"DCIM/100BOATY/BOAT0101.MP4": clip(9)}))
    outcome = yard.upload_one(origin="Main")
    assert (outcome.sent_files, outcome.troubles, outcome.waiting) == (3, (), ())
    assert (outcome.fetched_back is None) == attests(yard)
    assert yard.states("Off site") == {CopyState.PROVEN}
    ways = {copy.proof.way for copy in yard.copies("Off site").values() if copy.proof}
    assert ways == {Way.ATTESTED if attests(yard) else Way.DOWNLOADED}
    assert {yard.rules.objects[KEY.format(n)][0] for n in (1, 2, 3)} == set(CARD.values())
    assert any("ascmhl_chain.xml" in key for key in yard.rules.objects)
    assert not any("Roll 02" in key for key in yard.rules.objects)
    again = yard.upload_one(origin="Main")
    assert (again.sent_files, again.looked_at, again.troubles) == (0, 0, ())


def test_only_the_drive_that_is_named_is_read(yard: BucketYard) -> None:
    rot(roll_folder(yard.root / "Main") / "DCIM/100BOATY/BOAT0002.MP4", 9, b"spoiled")
    outcome = yard.upload_one(origin="Main")
    assert (outcome.sent_files, len(outcome.waiting)) == (2, 1)
    assert [trouble.place for trouble in outcome.troubles] == ["Main"]
    assert yard.upload_one(origin="Travel").sent_files == 1
    assert yard.states("Off site") == {CopyState.PROVEN}


def test_without_a_drive_nothing_is_sent_and_what_is_there_is_proven(yard: BucketYard) -> None:
    yard.upload_one(origin="Main")
    del yard.rules.objects[KEY.format(3)]
    with yard.keeper() as keeper:
        keeper.verify("Off site", progress=QUIET)  # BOAT0003 is missing now
    yard.clock.at += 400 * DAY
    outcome = yard.upload_one(origin=None)
    assert (outcome.sent_files, outcome.waiting, outcome.troubles) == (0, (), ())
    assert yard.states("Off site") == {CopyState.PROVEN, CopyState.MISSING}
    assert yard.upload_one(origin=None).looked_at == 0
    assert KEY.format(3) not in yard.rules.objects


def test_what_will_soon_be_too_old_is_looked_at_or_fetched_before(yard: BucketYard) -> None:
    yard.upload_one(origin="Main")
    yard.clock.at += 20 * DAY if attests(yard) else 360 * DAY
    assert yard.states("Off site") == {CopyState.PROVEN}
    yard.asked("GET")
    yard.upload_one(origin=None)
    assert not any("PUT" in verb for verb, _, _ in yard.rules.seen)  # nor was it tried out again
    gets = yard.asked("GET")
    assert len(gets) == (0 if attests(yard) else 3)
    yard.clock.at += 11 * DAY
    assert yard.states("Off site") == {CopyState.PROVEN}


def spoil(yard: BucketYard, number: int = 2, data: bytes = b"something else") -> None:
    _, _, metadata = yard.rules.objects[KEY.format(number)]
    yard.rules.objects[KEY.format(number)] = (data, f'"{data.hex()[:32]}"', metadata)


@pytest.mark.parametrize("scoped", [True, False], ids=["one roll", "the command"])
def test_an_object_known_to_be_damaged_is_not_fetched_again(yard: BucketYard, scoped: bool) -> None:
    def once_more() -> UploadOutcome:
        return yard.upload_one(origin="Main") if scoped else upload(yard)

    once_more()
    spoil(yard)
    with yard.keeper() as keeper:
        assert [one.finding for one in keeper.verify("Off site", progress=QUIET).checked] == [
            Finding.DAMAGED
        ]
    yard.asked("GET")
    for _ in range(2):
        outcome = once_more()
        (trouble,) = outcome.troubles
        assert ("damaged" in trouble.message, "BOAT0002" in trouble.path) == (True, True)
        assert outcome.sent_files == 0
    assert yard.asked("GET") == []
    assert yard.rules.objects[KEY.format(2)][0] == b"something else"
    yard.verify("Off site")
    assert len(yard.asked("GET")) == 3  # asked for by the person


def test_a_damaged_object_that_somebody_took_away_or_replaced_is_seen(yard: BucketYard) -> None:
    yard.upload_one(origin="Main")
    spoil(yard, 1)
    spoil(yard, 2)
    yard.verify("Off site")
    del yard.rules.objects[KEY.format(1)]
    spoil(yard, 2, CARD["DCIM/100BOATY/BOAT0002.MP4"])
    yard.upload_one(origin="Main")
    assert yard.states("Off site") == {CopyState.PROVEN, CopyState.MISSING}
    assert yard.upload_one(origin="Main").sent_files == 1
    assert yard.states("Off site") == {CopyState.PROVEN}


def test_another_one_s_object_under_a_wanted_key_stays_and_is_fetched_once(
    yard: BucketYard,
) -> None:
    yard.rules.objects[KEY.format(2)] = (b"theirs", '"e"', {})
    assert yard.upload_one(origin="Main").sent_files == 2
    yard.asked("GET")
    outcome = yard.upload_one(origin="Main")
    assert (outcome.sent_files, len(outcome.troubles)) == (0, 1)
    assert yard.asked("GET") == []
    assert yard.rules.objects[KEY.format(2)][0] == b"theirs"


def test_a_store_that_does_not_answer_is_an_error(
    yard: BucketYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard.upload_one(origin="Main")
    del yard.rules.objects[KEY.format(1)]
    yard.verify("Off site")
    with yard.context() as context:
        place = next(one for one in context.catalog.places() if one.name == "Off site")
        context.catalog.put_place(replace(place, endpoint="http://127.0.0.1:9"))
    with pytest.raises(BucketUnreachableError):
        yard.upload_one(origin="Main")
    with pytest.raises(BucketUnreachableError):
        yard.prove_one("Off site", before=yard.clock.at + DAY)


def test_the_bucket_is_held_and_the_drive_is_not(yard: BucketYard) -> None:
    """While an upload waits its drive may be used for something more urgent."""
    bucket, main = yard.place("Off site"), yard.place("Main")
    with yard.context() as context:
        with (
            context.locks.hold(bucket, called="Off site", doing="something else"),
            pytest.raises(PlaceHeldError, match="Off site"),
        ):
            yard.upload_one(origin="Main")
        with context.locks.hold(main, called="Main", doing="offloading Wide"):
            assert yard.upload_one(origin="Main").sent_files == 3


def test_a_drive_that_is_away_and_a_bucket_that_is_none_are_refused(yard: BucketYard) -> None:
    ident, main = yard.roll(), yard.place("Main")
    with pytest.raises(UsageError, match="no bucket"), yard.context() as context:
        upload_roll(context, ident, bucket=main, source=None, progress=QUIET)
    with pytest.raises(UsageError, match="no drive"):
        yard.upload_one(origin="Off site")
    (yard.root / "Main").rename(yard.root / "elsewhere")
    with pytest.raises(DriveGoneError, match="Main"):
        yard.upload_one(origin="Main")
    with yard.context() as context:
        place = next(one for one in context.catalog.places() if one.name == "Off site")
        context.catalog.put_place(replace(place, standing=Standing.LOST))
    with pytest.raises(OutOfReachError, match="Off site is lost"):
        yard.upload_one(origin=None)


def interrupt() -> None:
    raise KeyboardInterrupt


@pytest.mark.slow
@pytest.mark.parametrize("number", range(1, 8))
def test_stopped_at_any_moment_it_is_taken_up(yard: BucketYard, number: int) -> None:
    try:
        yard.upload_one(origin="Main", progress=AtAdvance(number, interrupt))
    except KeyboardInterrupt:
        arrived = {key.rpartition("/")[2] for key in yard.rules.objects if "MP4" in key}
        known = {
            name.rpartition("/")[2]
            for name, copy in yard.copies("Off site").items()
            if copy.state is not CopyState.ABSENT
        }
        assert known <= arrived  # no fact without its object
    assert yard.rules.uploads == {}
    assert yard.upload_one(origin="Travel").troubles == ()
    assert yard.states("Off site") == {CopyState.PROVEN}
    assert {yard.rules.objects[KEY.format(n)][0] for n in (1, 2, 3)} == set(CARD.values())


def test_objects_are_proven_again_a_few_at_a_time(yard: BucketYard) -> None:
    yard.upload_one(origin="Main")
    yard.clock.at += 25 * DAY
    yard.asked("GET")
    before = yard.clock.at - DAY
    counts = [yard.prove_one("Off site", before=before, budget_s=0).matching_files]
    counts += [yard.prove_one("Off site", before=before).matching_files for _ in range(2)]
    assert counts == [1, 2, 0]
    assert len(yard.asked("GET")) == (0 if attests(yard) else 3)
    assert yard.states("Off site") == {CopyState.PROVEN}


def test_an_object_that_is_gone_is_found_by_a_proof(yard: BucketYard) -> None:
    yard.upload_one(origin="Main")
    del yard.rules.objects[KEY.format(1)]
    outcome = yard.prove_one("Off site")
    assert [one.finding for one in outcome.checked] == [Finding.MISSING]
    assert outcome.matching_files == 2
