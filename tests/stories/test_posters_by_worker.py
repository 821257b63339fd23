"""Posters as the daemon's worker makes them: from the one drive that it was given."""

from pathlib import Path

import pytest

from backupkeeper.catalog.posters import posters_folder
from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.errors import DriveGoneError
from backupkeeper.core.model import PlaceId
from backupkeeper.daemon.errand import Finished
from tests.cards.picture_clips import Shot, shot
from tests.stories.at_work import at_work
from tests.stories.yard import QUIET, SHOOT, Yard

FOLDER = f"{SHOOT}/Originals/Wide/Roll 01"
CLIP = {"DCIM/WIDE0001.MP4": shot(Shot(frames=5))}


def done(yard: Yard, drive: str = "Main", folder: str = FOLDER) -> Finished:
    with yard.keeper() as keeper:
        place = next(ident for ident, name in keeper.place_names().items() if name == drive)
        deed = Deed(kind=DeedKind.POSTERS, why="It has none.", place=PlaceId(place), folder=folder)
        return keeper.do(deed, QUIET)


@pytest.mark.slow
def test_a_roll_s_posters_are_made_once(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("card", CLIP))
    came = done(yard)
    assert (came.said, came.files, came.sealed) == ("Made 1 poster.", 1, True)
    again = done(yard, "Travel")
    assert (again.said, again.files, again.sealed) == ("Made 0 posters.", 0, True)


def test_a_folder_that_is_no_sealed_roll_wants_none(yard: Yard) -> None:
    yard.drives()
    assert done(yard, folder="elsewhere").sealed


@pytest.mark.slow
def test_a_drive_that_somebody_uses_puts_it_off(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("card", CLIP))
    with at_work(yard, "verify", "Main"):
        came = done(yard)
    assert (came.files, came.sealed) == (0, False)
    assert "Main is used" in came.said


@pytest.mark.slow
def test_a_disk_that_takes_no_poster_is_told_and_is_no_fault_of_the_drive(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("card", CLIP))
    Path(posters_folder(str(yard.root / "catalog.sqlite"))).write_text("in the way")
    came = done(yard)
    assert (came.files, came.sealed, came.troubles) == (0, True, ())
    assert came.said.startswith("They can't be kept: ")


def test_a_drive_that_is_gone_is_told_as_that(yard: Yard) -> None:
    main, _ = yard.drives()
    yard.offload(yard.card("card", CLIP))
    main.rename(f"{main}.away")
    with pytest.raises(DriveGoneError):
        done(yard)
