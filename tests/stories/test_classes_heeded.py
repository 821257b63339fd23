"""A store that pays no heed to the storage class is told once, and where its findings are told.

Our own store heeds it or not; of the others the mock heeds it, and the real one knows only ``STANDARD``
(SEEN section 1: it refuses all others; ``test_upload_classes`` has that).
"""

from collections.abc import Iterator
from pathlib import Path

import pytest

from backupkeeper.actions.place_check import reminders
from backupkeeper.core.model import CopyState, Role
from backupkeeper.core.outcomes import UploadOutcome
from tests.real.store import Server, raw_client
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, clip
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store

pytest_plugins = ["tests.real.store_fixtures"]

LARGE = {"DCIM/100BOATY/BOAT0001.MP4": clip(1, 20 * 1024 * 1024)}
SMALL = {"DCIM/100BOATY/BOAT0002.MP4": clip(2), "DCIM/100BOATY/BOAT0003.MP4": clip(3)}
WORDS = "The storage class GLACIER was asked for, and objects stand in STANDARD"


class ClassYard(ScopedYard):
    def asks_for(self, name: str) -> None:
        self.policy = f'distinct_devices = false\n[upload]\nstorage_class = "{name}"\n'
        self.__post_init__()

    def rolls(self, *cards: dict[str, bytes]) -> None:
        for number, files in enumerate(cards):
            assert self.offload(self.card(f"card {number}", files)).sealed

    def upload(self) -> UploadOutcome:
        with self.keeper() as keeper:
            return keeper.upload(progress=QUIET)[0]

    def reminded(self) -> list[str]:
        with self.context() as context:
            return [one for one in reminders(context) if "storage class" in one]

    def checked(self) -> list[str]:
        with self.keeper() as keeper:
            return [one.code for one in keeper.check_place("Off site", progress=QUIET).advice]


def class_yard(root: Path, server: Server) -> ClassYard:
    yard = ClassYard(root)
    yard.asks_for("GLACIER")
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{server.new_bucket()}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=server.url,
            profile=None,
        )
    return yard


@pytest.fixture
def world() -> World:
    return World()


@pytest.fixture
def heedless(world: World) -> Iterator[Server]:
    world.rules.ignores_classes = True
    with strict_store(world) as url:
        yield Server(name="strict", url=url, client=raw_client(url))


@pytest.mark.parametrize("files", [LARGE, SMALL], ids=["in parts", "small ones"])
def test_a_store_that_pays_no_heed_is_told_once_and_fails_nothing(
    tmp_path: Path, heedless: Server, credentials: None, files: dict[str, bytes]
) -> None:
    yard = class_yard(tmp_path, heedless)
    yard.rolls(files, {"BOAT0009.MP4": clip(9)})
    first = yard.upload_one(origin="Main")
    assert [one.startswith(WORDS) for one in first.warnings] == [True]
    assert (first.troubles, first.waiting) == ((), ())
    assert yard.states("Off site") == {CopyState.PROVEN}
    assert yard.upload_one(origin="Main", roll="Roll 02").warnings == ()
    (said,) = yard.reminded()
    assert said.startswith(f"Off site: {WORDS}")
    assert "class-ignored" in yard.checked()


def test_it_is_no_news_any_more_once_it_is_heeded_or_not_asked_for(
    tmp_path: Path, world: World, heedless: Server, credentials: None
) -> None:
    yard = class_yard(tmp_path, heedless)
    yard.rolls(SMALL)
    assert len(yard.upload().warnings) == 1
    yard.asks_for("STANDARD")
    assert yard.reminded() == []
    yard.asks_for("GLACIER")
    assert len(yard.reminded()) == 1
    world.rules.ignores_classes = False
    assert yard.offload(yard.card("later", {"BOAT0009.MP4": clip(9)})).sealed
    assert yard.upload().warnings == ()
    assert yard.reminded() == []
    assert "class-ignored" not in yard.checked()


def test_where_none_is_asked_for_nothing_is_told(
    tmp_path: Path, heedless: Server, credentials: None
) -> None:
    yard = class_yard(tmp_path, heedless)
    yard.asks_for("")
    yard.rolls(SMALL)
    assert yard.upload().warnings == ()


@pytest.mark.parametrize(
    ("server", "asked"),
    [
        ("strict", "GLACIER"),
        ("moto", "STANDARD_IA"),
        ("moto", "STANDARD"),
        pytest.param("radosgw", "STANDARD", marks=pytest.mark.real("store")),
    ],
    indirect=["server"],
)
def test_a_store_that_heeds_it_is_not_told_of(
    tmp_path: Path, server: Server, asked: str, credentials: None
) -> None:
    yard = class_yard(tmp_path, server)
    yard.asks_for(asked)
    yard.rolls({**LARGE, **SMALL})
    outcome = yard.upload()
    assert (outcome.sent_files, outcome.warnings) == (3, ())
    assert yard.states("Off site") == {CopyState.PROVEN}
    assert yard.reminded() == []
