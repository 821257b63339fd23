"""Posters that could be made now. Pure; a part of ``core.wishes``.

They come before uploads, which may take days: a roll's take seconds, and only once.
"""

from collections.abc import Iterator

from backupkeeper.core.deeds import Deed, DeedKind, View
from backupkeeper.core.wish import Wish

WHY = "Its clips have no posters yet."


def posters(view: View) -> Iterator[Wish]:
    """For each new roll one drive that has it and is here: one that is idle, if there is any."""
    busy = {
        disk
        for running in view.running
        if not running.held and running.deed.kind is not DeedKind.POSTERS
        for place in running.deed.places
        if place in view.drives
        for disk in view.drives[place].device.split("+")
    }
    for roll in view.pictureless:
        here = [place for place in roll.places if place in view.drives and place not in view.lent]
        idle = [one for one in here if busy.isdisjoint(view.drives[one].device.split("+"))]
        for place in (idle or here)[:1]:
            yield Wish(deed=Deed(kind=DeedKind.POSTERS, why=WHY, place=place, folder=roll.folder))
