"""Folders in which something changed, given out once they have been left alone for long enough.

Promises:
1. Nothing is given out before its folder was quiet for the whole time. A folder that keeps changing
   is never given out, however long it goes on: what is half written is none of our business yet.
2. What was touched is given out or waits; only ``forget`` loses it.
3. Memory is bounded: above ``MOST_FOLDERS`` of one place it is the whole place that changed. The same
   where the root itself is touched, for then nobody knows what changed. The whole place has been
   quiet once nothing in it changes.
"""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import Changed
from backupkeeper.core.model import PlaceId

MOST_FOLDERS: Final = 1000
EVERYTHING: Final = ""
"""The folder that stands for a whole place."""


def folder_of(path: str) -> str:
    """The folder that holds a path; what lies in the root stands for itself.

    A shoot's folder made in the root must not have the whole place looked at, and a file there is
    none of a roll's.
    """
    return path.rpartition("/")[0] or path


class Quiet:
    """Kept by one thread.

    Args:
        quiet_s: how long a folder must be left alone, in seconds.
        folder: which folder a changed path stands for (its own, or that of its roll); of the root
            itself (``""``) the same.
    """

    def __init__(self, quiet_s: float, folder: Callable[[str], str] = folder_of) -> None:
        self._quiet = timedelta(seconds=quiet_s)
        self._folder = folder
        self._touched: dict[PlaceId, dict[str, datetime]] = {}

    def touched(self, place: PlaceId, path: str, at: datetime) -> None:
        """Something at this path (relative to the place's root) changed."""
        folders = self._touched.setdefault(place, {})
        folder = self._folder(path)
        if EVERYTHING in folders:
            folder = EVERYTHING
        elif folder == EVERYTHING or (folder not in folders and len(folders) >= MOST_FOLDERS):
            folders.clear()
            folder = EVERYTHING
        folders[folder] = at

    def ripe(self, now: datetime) -> tuple[Changed, ...]:
        """Folders that have been quiet for long enough; they are not given out again."""
        found = []
        for place, folders in list(self._touched.items()):
            # A clock that was set back far would keep a folder for long: then it is given out at once.
            ready = [f for f, at in folders.items() if abs(now - at) >= self._quiet]
            for folder in ready:
                del folders[folder]
            if ready:
                found.append(Changed(place=place, folders=tuple(sorted(ready))))
            if not folders:
                del self._touched[place]
        return tuple(found)

    def next_at(self) -> datetime | None:
        """When the next folder will have been quiet for long enough, if nothing touches it."""
        moments = [at for folders in self._touched.values() for at in folders.values()]
        return min(moments) + self._quiet if moments else None

    def forget(self, place: PlaceId) -> None:
        """The place is gone."""
        self._touched.pop(place, None)
