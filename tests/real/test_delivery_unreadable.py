"""A delivery on a medium that gives an error, or goes away, while it is read."""

import errno
from pathlib import Path

import pytest

from tests.real.fuse_with_holes import holey
from tests.stories.deliveries import CARD, CLIP, flaws, imported, made_bag, roll_at
from tests.stories.typed import typed
from tests.stories.yard import Yard

pytestmark = [pytest.mark.slow, pytest.mark.real("fuse")]


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    (tmp_path / "yard").mkdir()
    yard = Yard(tmp_path / "yard")
    yard.drives()
    return yard


def test_what_can_not_be_read_is_told_and_the_rest_waits(yard: Yard, tmp_path: Path) -> None:
    made_bag(tmp_path / "sent/backing/bag", CARD)
    with holey(str(tmp_path / "sent")) as mount:
        root = Path(mount.point) / "bag"
        mount.set({f"bag/data/{CLIP}": [(4_300_000, 4_300_512)]})
        said = imported(yard, root)
        assert (said.code, said.json["sealed"]) == (1, False)
        assert flaws(said) == {f"data/{CLIP}": "unreadable"}
        assert not (roll_at(yard) / "data" / CLIP).exists()
        told = typed(yard, "import", str(root), "--dry-run")
        assert (told.code, "Could not be read: 1" in told.out) == (1, True)
        mount.set({})
        assert imported(yard, root).code == 0


def test_taken_in_as_it_is_the_roll_says_what_was_lost(yard: Yard, tmp_path: Path) -> None:
    made_bag(tmp_path / "sent/backing/bag", CARD)
    with holey(str(tmp_path / "sent")) as mount:
        mount.set({f"bag/data/{CLIP}": [(0, 512)]})
        said = imported(yard, Path(mount.point) / "bag", "--as-it-is")
        assert (said.code, said.json["sealed"]) == (1, True)
    manifest = next((roll_at(yard) / "ascmhl").glob("0001_*")).read_text()
    assert f"data/{CLIP} (could not be read)" in manifest


def test_a_medium_that_goes_away_is_no_flaw_and_the_same_command_goes_on(
    yard: Yard, tmp_path: Path
) -> None:
    made_bag(tmp_path / "sent/backing/bag", CARD)
    with holey(str(tmp_path / "sent")) as mount:
        root = Path(mount.point) / "bag"
        mount.set({f"bag/data/{CLIP}": [(0, 512)]}, number=errno.ENODEV)
        said = imported(yard, root)
        assert (said.code, said.json["sealed"], flaws(said)) == (3, False, {})
        told = typed(yard, "import", str(root), "--shoot", "260613 Boatyard", "--source", "Drone")
        assert "NOT FINISHED" in told.out
        mount.set({})
        assert imported(yard, root).code == 0
