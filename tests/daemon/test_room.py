"""How much is free on a drive is remembered where the daemon looks at it anyway."""

from pathlib import Path

from backupkeeper.actions.room import remembered_room
from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.model import EventKind, PlaceKind, Role
from backupkeeper.daemon.crew import Ended
from backupkeeper.daemon.doing import do
from backupkeeper.daemon.errand import Finished
from backupkeeper.daemon.sights import Sight, SightKind, encode_sight
from backupkeeper.daemon.surroundings import PREFIX
from tests.daemon.made_up import MAIN, mount, place
from tests.daemon.whole_loop import whole_loop
from tests.stories.yard import QUIET, Yard, clip


def test_when_it_is_plugged_in(tmp_path: Path) -> None:
    sight = Sight(
        kind=SightKind.PLACE, token="m1", point="/media/a", place=MAIN, label="Main", free_bytes=5
    )
    with whole_loop(tmp_path) as loop:
        catalog = loop.seeing.context.catalog
        catalog.put_place(place(MAIN, "Main", Role.PRIMARY, PlaceKind.DRIVE, "/media/a"))
        # The look is answered by hand: no worker has to run.
        loop.surroundings._send = lambda key, point: None
        loop.surroundings.notice([mount("m1", "/media/a")], catalog.places(), loop._now())
        loop._seen_something(
            Ended(key=f"{PREFIX}m1", came=Finished(said="", sight=encode_sight(sight)))
        )
        found = remembered_room(loop.seeing.context)
        assert {ident: count for ident, (_, count) in found.items()} == {MAIN: 5}


def test_when_something_was_brought_to_it(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.drive("Main", Role.PRIMARY)
    yard.offload(yard.card("WIDE", {"DCIM/A.MP4": clip(1)}))
    yard.drive("Travel", Role.SECONDARY)
    with yard.keeper() as keeper:
        context = keeper.context
        main, travel = context.catalog.places()
        (roll,) = context.catalog.rolls()
        deed = Deed(
            kind=DeedKind.MIRROR,
            why="it lacks it",
            place=travel.id,
            source=main.id,
            roll=roll.id,
            folder=roll.folder,
        )
        do(context, deed, QUIET)
        assert set(remembered_room(context)) == {main.id, travel.id}
        (event,) = context.catalog.events((EventKind.ROOM,), subject=travel.id)
        assert int(event.detail) > 0
