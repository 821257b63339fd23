"""Which copies at a place are a roll's own, where each place may have it under its own path.

Promises:
1. Pure. Copies in the roll's own folder are always its own (two rolls may share a sidecar, and each keeps
   its whole tree).
2. A drive that has every file of a roll, under whatever paths and names, has the roll: there the others
   stand in for the files that are not in its own folder. One file less, and they don't: then what it
   lacks of its own tree is wanted there. What lies in another roll's folder never stands in.
3. A file that is missing where it was on a drive (a person moved it) has one that is known to lie there
   under another path stand in for it, by itself.
4. Never in a bucket: all objects there are ours, under the roll's own folder.
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
            for place in _places_with_all(roll, copies) | _places_missing_any(roll, copies)
            if places[place].kind is not PlaceKind.BUCKET
            and not all(_stands(own, place) for own in self._own.values())
        }
        if drives:
            elsewhere = Elsewhere(roll.head.folder, homes, trees())
            for place in drives:
                self._stand_in(roll, copies, place, elsewhere)

    def own(self, file: RollFile) -> list[Copy]:
        """The copies of one file that are the roll's own, wherever they lie."""
        return self._own[file.path]

    def _stand_in(
        self,
        roll: Roll,
        copies: Mapping[Blake3, Sequence[Copy]],
        place: PlaceId,
        elsewhere: "Elsewhere",
    ) -> None:
        lacking = {
            file.path: [
                copy
                for copy in copies.get(file.content, ())
                if copy.place == place and elsewhere.may_be_its(file, copy.path)
            ]
            for file in roll.files
            if not _stands(self._own[file.path], place)
        }
        found = {
            path: [copy for copy in group if copy.state in THERE] for path, group in lacking.items()
        }
        has_all = all(found.values())
        for path, more in found.items():
            if has_all or any(copy.state is CopyState.MISSING for copy in lacking[path]):
                self._own[path] = [*self._own[path], *more]


class Elsewhere:
    """Paths of a place at which files of a roll may stand: neither another file's nor another roll's.

    Args:
        folder: the roll's.
        homes: where each of its files may stand in it (``core.fitting.possible_paths``).
        trees: the folders of all rolls.
    """

    def __init__(
        self, folder: str, homes: Mapping[str, Sequence[str]], trees: frozenset[str]
    ) -> None:
        self._folder, self._homes, self._trees = folder, homes, trees
        self._taken = frozenset(home for paths in homes.values() for home in paths)

    def may_be_its(self, file: RollFile, path: str) -> bool:
        """Whether what stands at this path may be this file of the roll, by the path alone."""
        if path in self._homes[file.path]:
            return True
        return path not in self._taken and not self._within_another(path)

    def _within_another(self, path: str) -> bool:
        while path:
            path = path.rpartition("/")[0]
            if path in self._trees and path != self._folder:
                return True
        return False


def _stands(copies: Iterable[Copy], place: PlaceId) -> bool:
    return any(copy.place == place and copy.state in THERE for copy in copies)


def _places_with_all(roll: Roll, copies: Mapping[Blake3, Sequence[Copy]]) -> frozenset[PlaceId]:
    """Places that have every file of a roll, under any path."""
    whole: frozenset[PlaceId] | None = None
    for content in {file.content for file in roll.files}:
        here = frozenset(copy.place for copy in copies.get(content, ()) if copy.state in THERE)
        whole = here if whole is None else whole & here
    return whole or frozenset()


def _places_missing_any(roll: Roll, copies: Mapping[Blake3, Sequence[Copy]]) -> frozenset[PlaceId]:
    """Places where a file of a roll was, under any path, and is not now."""
    return frozenset(
        copy.place
        for file in roll.files
        for copy in copies.get(file.content, ())
        if copy.state is CopyState.MISSING
    )
