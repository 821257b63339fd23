"""After a roll was moved by hand: its card is offloaded again, and other files lie where it lies now."""

from pathlib import Path

import pytest

from tests.stories.scoped_yard import ScopedYard
from tests.stories.test_moved_by_hand import (
    CARD,
    CLIP,
    ROLL,
    entries,
    findings,
    folder,
    move,
    take,
    yard,
)
from tests.stories.yard import SHOOT, clip, rot, tree

__all__ = ["yard"]


@pytest.mark.parametrize("called", [False, True], ids=["at once", "after a verify"])
@pytest.mark.parametrize(
    ("old", "new"),
    [(SHOOT, "Boats"), (ROLL, "Boats"), (f"{ROLL}/{CLIP}", f"{ROLL}/DCIM/Best take.MP4")],
    ids=["the shoot", "the roll", "one file"],
)
def test_the_same_card_again_writes_nothing(
    yard: ScopedYard, old: str, new: str, called: bool
) -> None:
    move(yard, old, new)
    if called:
        yard.verify("Main")
    before = entries(yard, "Main")
    outcome = yard.offload(yard.root / "card")
    assert (outcome.sealed, outcome.new_files, outcome.troubles) == (True, 0, ())
    after = entries(yard, "Main")
    assert {path for path in after if "ascmhl" not in path} == {
        path for path in before if "ascmhl" not in path
    }
    assert all(after[path] == one for path, one in before.items() if (Path(path)).is_file())
    assert yard.gaps_of("Roll 01") == ("cloud",)


def test_a_card_that_was_recorded_on_brings_only_what_is_new(yard: ScopedYard) -> None:
    move(yard, SHOOT, "Boats")
    before = entries(yard, "Main")
    take(yard, "later", CARD | {"DCIM/100BOATY/BOAT0003.MP4": clip(3)})
    new = set(entries(yard, "Main")) - set(before)
    written = {Path(path).name for path in new if Path(path).is_file() and "ascmhl" not in path}
    assert written == {"BOAT0003.MP4"}


def test_what_is_really_gone_is_written_again(yard: ScopedYard) -> None:
    place = move(yard, SHOOT, "Boats")
    lost = place / "Originals/Wide/Roll 01" / CLIP
    lost.unlink()
    assert yard.offload(yard.root / "card").sealed
    assert (yard.root / "Main" / ROLL / CLIP).read_bytes() == CARD[CLIP]
    assert CLIP not in tree(place / "Originals/Wide/Roll 01")
    assert yard.gaps_of("Roll 01") == ("cloud",)


def test_what_nobody_knows_in_a_folder_that_was_moved_is_named(yard: ScopedYard) -> None:
    rot(folder(yard) / CLIP, 1000, b"rotten")
    (folder(yard) / "DCIM" / "EXTRA.MP4").write_bytes(clip(9))
    place = move(yard, SHOOT, "Boats") / "Originals/Wide/Roll 01"
    there = "Boats/Originals/Wide/Roll 01"
    for _ in range(2):
        assert findings(yard) == [
            (f"{there}/DCIM/100BOATY/BOAT0001.MP4", "damaged"),
            (f"{there}/DCIM/EXTRA.MP4", "unknown"),
        ]
    (place / "DCIM" / "EXTRA.MP4").unlink()
    (place / CLIP).unlink()
    assert {finding for _, finding in findings(yard)} == {"missing"}


def test_of_one_file_that_was_moved_the_new_folder_is_not_searched(yard: ScopedYard) -> None:
    (yard.root / "Main" / "Selects" / "DCIM/100BOATY").mkdir(parents=True)
    (yard.root / "Main" / "Selects" / "Old.MP4").write_bytes(clip(9))
    move(yard, f"{ROLL}/{CLIP}", f"Selects/{CLIP}")
    assert findings(yard) == []
