"""Manifests that a bucket still lacks though it has all the files. Pure; a part of ``core.wishes``.

They come after the files of other rolls, whose upload brings them along, and need no drive.
"""

from collections.abc import Iterator
from typing import Final

from backupkeeper.core.deeds import Deed, DeedKind, RollNeed, Unlisted, View
from backupkeeper.core.line import WAITS_FOR_HOURS
from backupkeeper.core.model import PlaceId, RollId
from backupkeeper.core.wish import Wish, Wishes

WHY: Final = "Its files are there, but not its manifest."


def listed_name(place: PlaceId, roll: RollId) -> str:
    """The subject of the event that says that a roll's manifest stands in a bucket."""
    return f"{place} {roll}"


def listings(view: View, found: Wishes) -> Iterator[Wish]:
    """An upload of nothing but the manifest, for each roll that none of its files is sent of."""
    needs = {need.roll.id: need for need in view.needs} if view.unlisted else {}
    for one in view.unlisted:
        if _is_brought_anyway(needs.get(one.roll.id), one):
            continue
        deed = Deed(
            kind=DeedKind.UPLOAD,
            why=WHY,
            place=one.place,
            roll=one.roll.id,
            folder=one.roll.folder,
        )
        if view.hours.may_upload:
            yield Wish(deed=deed, part=1, shoot=one.roll.shoot)
        else:
            found.wait(deed, view.hours.no_upload or WAITS_FOR_HOURS, view.hours.changes_at)


def _is_brought_anyway(need: RollNeed | None, one: Unlisted) -> bool:
    """Whether the roll has an upload to the bucket of its own: its manifest follows then."""
    if need is None:
        return False
    standing = need.at.get(one.place)
    is_old = standing is not None and standing.unproven_files + standing.ageing_files > 0
    return one.place in need.wants or is_old
