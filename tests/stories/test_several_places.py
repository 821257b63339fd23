"""Several drives of one role over the years: rolls stay where they are, and together they fill the role."""

from pathlib import Path

import pytest

from backupkeeper.core.model import Role
from tests.stories.typed import judged, offloaded, typed, yard_of_today
from tests.stories.yard import Yard, clip, roll_folder, tree

FIRST = {"DCIM/WIDE0001.MP4": clip(1)}
SECOND = {"DCIM/WIDE0002.MP4": clip(2)}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    """The first year: one card on both drives. Then the main drive goes on a shelf."""
    made = yard_of_today(tmp_path)
    made.drives()
    assert offloaded(made, made.card("card", FIRST)).code == 0
    (tmp_path / "Main").rename(tmp_path / "shelf")
    made.drive("Main 2", Role.PRIMARY)
    return made


def test_a_new_drive_gets_what_is_new_and_not_what_another_of_its_role_has(yard: Yard) -> None:
    assert typed(yard, "mirror").code == 0
    assert not roll_folder(yard.root / "Main 2").exists()
    second = yard.card("second", SECOND)
    assert offloaded(yard, second).code == 0
    assert tree(roll_folder(yard.root / "Main 2", "Roll 02")) == SECOND
    assert judged(yard, second) == ("yes", set())
    assert judged(yard, yard.root / "card") == ("yes", set())  # its drive is on the shelf, proven
    (yard.root / "shelf").rename(yard.root / "Main")
    assert typed(yard, "mirror").code == 0
    assert not roll_folder(yard.root / "Main", "Roll 02").exists()
    assert not roll_folder(yard.root / "Main 2", "Roll 01").exists()


def test_only_what_the_lost_one_had_is_filled_in_and_on_the_one_that_is_left(yard: Yard) -> None:
    second = yard.card("second", SECOND)
    assert offloaded(yard, second).code == 0
    told = typed(yard, "place", "lost", "Main", "--yes", "--json").json
    assert told["to"] == ["Main 2"]
    assert told["copied"] == {"files": 1, "bytes": len(FIRST["DCIM/WIDE0001.MP4"])}
    assert judged(yard, second) == ("yes", set())
    assert judged(yard, yard.root / "card")[0] == "no"
    assert typed(yard, "mirror").code == 0
    assert tree(roll_folder(yard.root / "Main 2")) == FIRST
    assert judged(yard, yard.root / "card") == ("yes", set())
