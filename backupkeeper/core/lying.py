"""Which copies at a place are a roll's own, where each place may have it under its own path.

Promises:
1. Pure. Copies in the roll's own folder are always its own (two rolls may share a sidecar, and each keeps
   its whole tree).
2. A drive that has most files of a roll elsewhere than in its folder, under whatever paths and names, has the
   roll there: these stand in for the files that are not in its own folder, and only the others are wanted.
   So it is where all that its own folder lacks lies elsewhere. What is another file's, of this roll or
   another, never stands in: a copy that stands where that one should, of the very same content.
3. A file that is missing where it was on a drive (a person moved it) has one that is known to lie there
   under another path stand in for it, by itself.
4. Never in a bucket: all objects there are ours, under the roll's own folder.
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
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

Homes = Callable[[Iterable[Blake3]], Mapping[Blake3, Sequence[tuple[str, str]]]]
"""Where rolls have these contents: for each the roll's folder and the file's path in it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Trees:
    """All rolls, as far as one must know of the others: their folders, and what each has where."""

    folders: frozenset[str]
    homes: Homes


def no_trees() -> Trees:
    """There are no other rolls."""
    return Trees(folders=frozenset(), homes=lambda _contents: {})


TreesOf = Callable[[], Trees]
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
        trees: gives all rolls; asked only where it matters.
    """

    def __init__(
        self,
        roll: Roll,
        copies: Mapping[Blake3, Sequence[Copy]],
        places: Mapping[PlaceId, Place],
        trees: TreesOf = no_trees,
    ) -> None:
        paths = [*(file.path for file in roll.files), *roll.folders]
        homes = possible_paths(roll.head.folder, paths)
        self._own = {
            file.path: own_copies(file, frozenset(homes[file.path]), copies.get(file.content, ()))
            for file in roll.files
        }
        drives = {
            place
            for place in _places_with_most(roll, copies) | _places_missing_any(roll, copies)
            if places[place].kind is not PlaceKind.BUCKET
            and not all(_stands(own, place) for own in self._own.values())
        }
        if drives:
            elsewhere = Elsewhere(roll.head.folder, roll.files, homes, trees())
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
        has_most = 2 * sum(map(bool, found.values())) > len(roll.files) or all(found.values())
        for path, more in found.items():
            if has_most or any(copy.state is CopyState.MISSING for copy in lacking[path]):
                self._own[path] = [*self._own[path], *more]


class Elsewhere:
    """Paths of a place at which files of a roll may stand: where no other file is that has its content.

    Args:
        folder: the roll's.
        files: all of it.
        homes: where each of its files may stand in it (``core.fitting.possible_paths``).
        trees: all rolls.
    """

    def __init__(
        self,
        folder: str,
        files: Collection[RollFile],
        homes: Mapping[str, Sequence[str]],
        trees: Trees,
    ) -> None:
        self._folder, self._homes, self._trees = folder, homes, trees
        self._contents = {file.content for file in files}
        self._taken = {(home, file.content) for file in files for home in homes[file.path]}
        self._others: frozenset[tuple[str, Blake3]] | None = None

    def may_be_its(self, file: RollFile, path: str) -> bool:
        """Whether a copy of this file's content at this path may be this file of the roll."""
        if path in self._homes[file.path]:
            return True
        if (path, file.content) in self._taken:
            return False
        return not self._within_another(path) or (path, file.content) not in self._of_others()

    def _within_another(self, path: str) -> bool:
        while path:
            path = path.rpartition("/")[0]
            if path in self._trees.folders and path != self._folder:
                return True
        return False

    def _of_others(self) -> frozenset[tuple[str, Blake3]]:
        """Where other rolls have what this one has, too: asked once, and only where it matters."""
        if self._others is None:
            self._others = frozenset(
                (home, content)
                for content, found in self._trees.homes(self._contents).items()
                for folder, path in found
                if folder != self._folder
                for home in possible_paths(folder, [path])[path]
            )
        return self._others


def _stands(copies: Iterable[Copy], place: PlaceId) -> bool:
    return any(copy.place == place and copy.state in THERE for copy in copies)


def _places_with_most(roll: Roll, copies: Mapping[Blake3, Sequence[Copy]]) -> frozenset[PlaceId]:
    """Places that have more than half of a roll's files, under any path."""
    count: Counter[PlaceId] = Counter()
    for file in roll.files:
        here = copies.get(file.content, ())
        count.update({copy.place for copy in here if copy.state in THERE})
    return frozenset(place for place, files in count.items() if 2 * files > len(roll.files))


def _places_missing_any(roll: Roll, copies: Mapping[Blake3, Sequence[Copy]]) -> frozenset[PlaceId]:
    """Places where a file of a roll was, under any path, and is not now."""
    return frozenset(
        copy.place
        for file in roll.files
        for copy in copies.get(file.content, ())
        if copy.state is CopyState.MISSING
    )
