"""Which copies at a place are a roll's own, where each place may have it under its own path.

Promises:
1. Pure. Copies in the roll's own folder are always its own (two rolls may share a sidecar, and each keeps
   its whole tree).
2. A drive that has every file of a roll, under whatever paths and names, has the roll: there the others
   stand in for the files that are not in its own folder. One file less, and they don't: then what it
   lacks of its own tree is wanted there. What lies in another roll's folder never stands in.
3. Never in a bucket: all objects there are ours, under the roll's own folder.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Place,
    PlaceId,
    PlaceKind,
    Roll,
    RollFile,
)

Trees = Callable[[], frozenset[str]]
THERE: Final = frozenset({CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN, CopyState.DAMAGED})
"""States of a copy that is there, whatever its bytes."""


def own_copies(file: RollFile, homes: frozenset[str], copies: Iterable[Copy]) -> list[Copy]:
    """Copies of a file in its roll's own tree; two rolls may share a sidecar, each keeps its own.

    Args:
        file: of the roll.
        homes: every path at which it may stand (``core.fitting.possible_paths``).
        copies: of its content.
    """
    return [copy for copy in copies if copy.content == file.content and copy.path in homes]


class Lying:
    """A roll's own copies, file by file.

    Args:
        roll: sealed.
        copies: of all its contents, as ``core.policy.copies_of`` makes them.
        places: all places.
        trees: gives the folders of all rolls; asked only where it matters.
    """

    def __init__(
        self,
        roll: Roll,
        copies: Mapping[Blake3, Sequence[Copy]],
        places: Mapping[PlaceId, Place],
        trees: Trees = frozenset,
    ) -> None:
        paths = [*(file.path for file in roll.files), *roll.folders]
        homes = possible_paths(roll.head.folder, paths)
        self._own = {
            file.path: own_copies(file, frozenset(homes[file.path]), copies.get(file.content, ()))
            for file in roll.files
        }
        drives = {
            place
            for place in _places_with_all(roll, copies)
            if places[place].kind is not PlaceKind.BUCKET
            and not all(_stands(own, place) for own in self._own.values())
        }
        if drives:
            others = trees() - {roll.head.folder}
            for place in drives:
                self._stand_in(roll, copies, place, others)

    def own(self, file: RollFile) -> list[Copy]:
        """The copies of one file that are the roll's own, wherever they lie."""
        return self._own[file.path]

    def _stand_in(
        self,
        roll: Roll,
        copies: Mapping[Blake3, Sequence[Copy]],
        place: PlaceId,
        others: frozenset[str],
    ) -> None:
        found = {
            file.path: [
                copy
                for copy in copies[file.content]
                if copy.place == place and copy.state in THERE and not _within(copy.path, others)
            ]
            for file in roll.files
            if not _stands(self._own[file.path], place)
        }
        if all(found.values()):
            for path, more in found.items():
                self._own[path] = [*self._own[path], *more]


def _stands(copies: Iterable[Copy], place: PlaceId) -> bool:
    return any(copy.place == place and copy.state in THERE for copy in copies)


def _within(path: str, folders: frozenset[str]) -> bool:
    """Whether a path lies below one of these folders."""
    while path:
        path = path.rpartition("/")[0]
        if path in folders:
            return True
    return False


def _places_with_all(roll: Roll, copies: Mapping[Blake3, Sequence[Copy]]) -> frozenset[PlaceId]:
    """Places that have every file of a roll, under any path."""
    whole: frozenset[PlaceId] | None = None
    for content in {file.content for file in roll.files}:
        here = frozenset(copy.place for copy in copies.get(content, ()) if copy.state in THERE)
        whole = here if whole is None else whole & here
    return whole or frozenset()
