"""One bit turned over between the bucket and here: no good object is called damaged for that."""

import pytest

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import Finding
from tests.real.store import Server
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, rot
from tests.world.bad_line import BadLine
from tests.world.misfortunes import Fate, Fates, Misfortune

pytest_plugins = ["tests.real.store_fixtures", "tests.stories.over_the_line"]

CLIP = clip(1, 9_000_001)
KEY = f"footage/{SHOOT}/Originals/Wide/Roll 01/DCIM/100BOATY/BOAT0001.MP4"


class Turned(Fates):
    """The first ``times`` readings of a clip come with one bit turned over."""

    def __init__(self, times: int) -> None:
        super().__init__(0)
        self.left = times

    def of(self, method: str, address: str) -> Fate | None:
        if method != "GET" or "BOAT0001" not in address or self.left <= 0:
            return None
        self.left -= 1
        return Fate(what=Misfortune.FLIPPED_BACK, where=0.7, bit=4)


@pytest.fixture
def yard(empty_yard: Yard) -> Yard:
    yard = empty_yard
    yard.offload(yard.card("card", {"DCIM/100BOATY/BOAT0001.MP4": CLIP}))
    with yard.keeper() as keeper:
        keeper.upload(progress=QUIET)
    return yard


def test_a_bit_turned_over_once_is_asked_for_again(yard: Yard, line: BadLine) -> None:
    line.fates = Turned(1)
    outcome = yard.verify("Off site")
    assert outcome.all_well
    assert line.fates.left == 0
    line.fates = None
    assert yard.gaps_of("Roll 01") == ()


def test_what_stays_wrong_is_damaged_and_where(
    yard: Yard, line: BadLine, strict: Server, bucket: str
) -> None:
    spoiled = bytearray(CLIP)
    spoiled[5_000_000] ^= 1
    strict.client.put_object(Bucket=bucket, Key=KEY, Body=bytes(spoiled))
    line.fates = Turned(0)
    (found,) = yard.verify("Off site").checked
    assert found.finding is Finding.DAMAGED
    with yard.keeper() as keeper:
        catalog = keeper.context.catalog
        (head,) = catalog.rolls()
        facts = [one for one in catalog.facts_of_roll(head.id) if one.damage]
    assert [fact.damage for fact in facts] == [((4_194_304, 8_388_608),)]
    assert yard.gaps_of("Roll 01") == (Role.CLOUD,)


def test_a_repair_asks_once_more_before_it_blames_the_bucket(yard: Yard, line: BadLine) -> None:
    for drive in ("Main", "Travel"):
        rot(roll_folder(yard.root / drive) / "DCIM/100BOATY/BOAT0001.MP4", 5_000_000, b"spoiled")
    assert not yard.verify().all_well
    line.fates = Turned(1)
    outcome = yard.repair()
    assert line.fates.left == 0
    assert (len(outcome.mended), outcome.unmended, outcome.troubles) == (2, (), ())
    line.fates = None
    assert yard.gaps_of("Roll 01") == ()
    assert yard.verify().all_well


def test_a_repair_tells_of_an_object_that_stays_wrong(
    yard: Yard, line: BadLine, strict: Server, bucket: str
) -> None:
    for drive in ("Main", "Travel"):
        rot(roll_folder(yard.root / drive) / "DCIM/100BOATY/BOAT0001.MP4", 5_000_000, b"spoiled")
    yard.verify()
    spoiled = bytearray(CLIP)
    spoiled[5_000_000] ^= 1
    strict.client.put_object(Bucket=bucket, Key=KEY, Body=bytes(spoiled))
    asked = Turned(0)
    line.fates = asked
    outcome = yard.repair()
    assert outcome.mended == ()
    assert Role.CLOUD in yard.gaps_of("Roll 01")
