"""The line breaks after a roll's last file and before its manifest: the next upload makes up for it."""

from dataclasses import replace

import pytest

from backupkeeper.actions.place_check import checks, remember
from backupkeeper.actions.upload import upload_roll
from backupkeeper.core.errors import PublicBucketError
from backupkeeper.core.model import EventKind
from backupkeeper.core.outcomes import UploadOutcome
from backupkeeper.manifests.mhl_history import read_history
from tests.real.store import Server
from tests.stories.yard import QUIET, SHOOT, Yard, clip
from tests.world.bad_line import BadLine
from tests.world.misfortunes import Fate, Fates, Misfortune

pytest_plugins = ["tests.real.store_fixtures", "tests.stories.over_the_line"]

CARD = {"DCIM/100BOATY/BOAT0001.MP4": clip(1), "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n"}


class NoChain(Fates):
    """Whoever sends a chain of manifests meets a login page."""

    def __init__(self) -> None:
        super().__init__(0)

    def of(self, method: str, address: str) -> Fate | None:
        if method == "PUT" and "ascmhl_chain" in address:
            return Fate(what=Misfortune.PAGE, where=0, bit=1)
        return None


@pytest.fixture
def yard(empty_yard: Yard, line: BadLine) -> Yard:
    yard = empty_yard
    yard.offload(yard.card("card", CARD))
    line.fates = NoChain()
    assert upload(yard).troubles
    line.fates = None
    return yard


def upload(yard: Yard) -> UploadOutcome:
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    return outcome


def listed(strict: Server, bucket: str, roll: str = "Roll 01") -> set[str]:
    folder = f"footage/{SHOOT}/Originals/Wide/{roll}/ascmhl/"
    data = {
        key.removeprefix(folder): strict.client.get_object(Bucket=bucket, Key=key)["Body"].read()
        for key in strict.keys(bucket)
        if key.startswith(folder)
    }
    history = read_history(data, data.__getitem__)
    return set() if history is None else set(history.reference)


def test_the_next_upload_lists_what_is_there_and_sends_nothing_else(
    yard: Yard, strict: Server, bucket: str
) -> None:
    assert listed(strict, bucket) == set()
    assert yard.gaps_of("Roll 01") == ()
    outcome = upload(yard)
    assert (outcome.sent_files, outcome.troubles) == (0, ())
    assert listed(strict, bucket) == set(CARD)


def test_the_upload_of_another_roll_makes_up_for_it_too(
    yard: Yard, strict: Server, bucket: str
) -> None:
    yard.offload(yard.card("another", {"DCIM/100BOATY/BOAT0002.MP4": clip(2)}))
    with yard.keeper() as keeper:
        context = keeper.context
        places = {place.name: place.id for place in context.catalog.places()}
        head = next(one for one in context.catalog.rolls() if one.name == "Roll 02")
        upload_roll(
            context, head.id, bucket=places["Off site"], source=places["Main"], progress=QUIET
        )
    assert listed(strict, bucket) == set(CARD)
    assert listed(strict, bucket, "Roll 02") == {"DCIM/100BOATY/BOAT0002.MP4"}


def alone(yard: Yard) -> UploadOutcome:
    """As the daemon's worker does it: the roll without any drive."""
    with yard.keeper() as keeper:
        catalog = keeper.context.catalog
        (head,) = catalog.rolls()
        (bucket,) = (place.id for place in catalog.places() if place.name == "Off site")
        return upload_roll(keeper.context, head.id, bucket=bucket, source=None, progress=QUIET)


def test_it_is_brought_alone_without_a_drive_and_once(
    yard: Yard, strict: Server, bucket: str
) -> None:
    for drive in ("Main", "Travel"):
        (yard.root / drive).rename(yard.root / f"{drive} in the other bag")
    came = alone(yard)
    assert (came.listed, came.sent_files, came.looked_at, came.troubles) == (1, 0, 0, ())
    assert listed(strict, bucket) == set(CARD)
    assert alone(yard).listed == 0


def test_nothing_is_brought_to_a_bucket_that_was_seen_to_be_public(
    yard: Yard, strict: Server, bucket: str
) -> None:
    with yard.keeper() as keeper:
        (check,) = checks(keeper.context).values()
        (place,) = (one for one in keeper.context.catalog.places() if one.name == "Off site")
        assert check.findings is not None
        remember(keeper.context, place, replace(check.findings, read_by_anybody=True))
    with pytest.raises(PublicBucketError):
        alone(yard)
    assert listed(strict, bucket) == set()


def test_what_is_known_to_be_listed_is_not_asked_for_again(
    yard: Yard, strict: Server, bucket: str, line: BadLine
) -> None:
    upload(yard)
    with yard.keeper() as keeper:
        (event,) = keeper.context.catalog.latest(EventKind.LISTED).values()
    assert event.detail == f"{SHOOT}/Originals/Wide/Roll 01"

    class Counting(NoChain):
        asked = 0

        def of(self, method: str, address: str) -> Fate | None:
            self.asked += "ascmhl" in address
            return None

    line.fates = counting = Counting()
    upload(yard)
    assert counting.asked == 0
