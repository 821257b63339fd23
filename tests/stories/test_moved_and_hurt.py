"""What was moved by hand and went bad, before or after, or was edited: it is its roll's where it lies now."""

import os
from pathlib import Path

import pytest

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import Answer
from tests.stories.scoped_yard import ScopedYard
from tests.stories.test_moved_by_hand import (
    CARD,
    CLIP,
    OLD,
    ROLL,
    call_missing,
    findings,
    move,
    yard,
)
from tests.stories.yard import SHOOT, rot

__all__ = ["yard"]


def hurt(yard: ScopedYard, *, touched: bool) -> tuple[Path, str]:
    """A clip of a roll that was moved has other bytes."""
    target = move(yard, SHOOT, "Boats") / "Originals/Wide/Roll 01" / CLIP
    data = target.read_bytes()
    target.write_bytes(data[:1000] + b"cut" + data[1003:])
    if not touched:
        os.utime(target, (OLD, OLD))
    return target, str(target.relative_to(yard.root / "Main"))


@pytest.mark.parametrize("seen", [True, False], ids=["verified", "never looked at"])
def test_a_damaged_file_of_a_moved_roll_is_damaged_where_it_lies_now(
    yard: ScopedYard, *, seen: bool
) -> None:
    target, lies = hurt(yard, touched=False)
    if seen:
        said = yard.verify("Main")
        assert [(one.path, one.finding.value) for one in said.checked] == [(lies, "damaged")]
        assert [(one.was, one.now, one.files) for one in said.moved] == [(SHOOT, "Boats", 3)]
        assert said.checked[0].damage == ((1000, 1003),)
    else:
        call_missing(yard)
    brought = yard.mirror()
    assert (brought.copied_files, brought.troubles) == (0, ())
    assert not (yard.root / "Main" / SHOOT).exists()
    assert yard.gaps_of("Roll 01") == (Role.PRIMARY, Role.CLOUD)
    mended = yard.repair("Main")
    assert mended.all_well, mended
    assert [one.patient.path for one in mended.mended] == [lies]
    assert target.read_bytes() == CARD[CLIP]
    (aside,) = (yard.root / "Main/.backupkeeper/set-aside").rglob("*.MP4")
    assert aside.read_bytes()[1000:1003] == b"cut"
    assert yard.verify("Main").all_well
    assert yard.gaps_of("Roll 01") == (Role.CLOUD,)


def test_an_edited_file_of_a_moved_roll_is_an_edit_there(yard: ScopedYard) -> None:
    target, lies = hurt(yard, touched=True)
    assert findings(yard) == [(lies, "changed")]
    assert yard.mirror().copied_files == 0
    assert yard.repair("Main").mended == ()
    assert target.read_bytes()[1000:1003] == b"cut"
    assert yard.repair("Main", edited=True).all_well
    assert target.read_bytes() == CARD[CLIP]
    assert yard.verify("Main").all_well


def test_where_less_than_half_of_a_roll_lies_nothing_unknown_is_its(yard: ScopedYard) -> None:
    target, lies = hurt(yard, touched=False)
    roll = target.parent.parent.parent
    (roll / "NOTE.TXT").unlink()
    target.with_suffix(".XML").unlink()
    found = dict(findings(yard))
    assert found == {f"{ROLL}/{path}": "missing" for path in [CLIP, "NOTE.TXT", f"{CLIP[:-4]}.XML"]}
    assert not any(fact.path == lies for fact in yard.facts("Main"))


def test_rot_is_found_and_mended_where_the_file_lies_now(yard: ScopedYard) -> None:
    target = move(yard, SHOOT, "Boats") / "Originals/Wide/Roll 01" / CLIP
    assert yard.verify("Main").all_well
    rot(target, 5000, b"rot")
    now = f"Boats/Originals/Wide/Roll 01/{CLIP}"
    assert findings(yard) == [(now, "damaged")]
    assert yard.repair(f"{ROLL}/{CLIP}").all_well
    assert target.read_bytes() == CARD[CLIP]
    assert yard.verify("Main").all_well
    assert not (yard.root / "Main" / SHOOT).exists()


def test_damage_that_was_known_before_the_move_is_told_once_and_mended(yard: ScopedYard) -> None:
    rot(yard.root / "Main" / ROLL / CLIP, 1000, b"rot")
    assert findings(yard) == [(f"{ROLL}/{CLIP}", "damaged")]
    move(yard, SHOOT, "Boats")
    now = f"Boats/Originals/Wide/Roll 01/{CLIP}"
    assert findings(yard) == [(now, "damaged")]

    def open_harms() -> list[str]:
        with yard.keeper() as keeper:
            return [one.path for one in keeper.overview().harms if one.mended_at is None]

    assert open_harms() == [now]
    assert yard.repair("Main").all_well
    assert open_harms() == []


def test_clips_that_were_called_edited_by_a_look_are_not_once_they_are_known(
    yard: ScopedYard,
) -> None:
    """A card was judged after they swapped names: nothing was read of the drive then."""
    one, other = f"{ROLL}/{CLIP}", f"{ROLL}/DCIM/100BOATY/BOAT0002.MP4"
    for old, new in [(one, "aside"), (other, one), ("aside", other)]:
        move(yard, old, new)
    assert yard.verdict(yard.root / "card").answer is not Answer.YES
    assert yard.verify("Main").all_well
    with yard.keeper() as keeper:
        assert not [harm for harm in keeper.overview().harms if harm.mended_at is None]
    assert yard.verdict(yard.root / "card").answer is Answer.YES
