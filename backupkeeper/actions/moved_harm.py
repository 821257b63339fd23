"""Files of a moved roll that went bad, or were edited: what stands in their place where most of it lies now.

Promises:
1. Only where most of a roll lies in its own shape on a drive is a file there, at its very path, taken for its:
   read as any copy is, and what is found recorded. Nothing is written.
2. What is right is found elsewhere (``actions.moved``): nothing here makes a copy count.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from backupkeeper.actions.beliefs import entry_at, is_file
from backupkeeper.actions.missed import Missed
from backupkeeper.actions.moved_run import Run
from backupkeeper.actions.one_roll import roll_now
from backupkeeper.actions.proving import prove_copy
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.lying import THERE
from backupkeeper.core.model import Result, RollFile, RollId
from backupkeeper.core.moving import homes_of_moved
from backupkeeper.ports.progress import Progress


def find_harmed(run: Run, left: Sequence[Missed], progress: Progress) -> list[Missed]:
    """Look where most of each one's roll lies now; those of which nothing stands there are returned.

    Args:
        run: told what was found.
        left: that were not found.
        progress: told of what is read.

    Raises:
        OutOfReachError: the drive goes.
    """
    run.keep()
    homes: dict[RollId, _Homes] = {}
    rest = []
    for one in left:
        if one.owners <= run.settled or one.known is not None:
            rest.append(one)
            continue
        for roll in {roll for roll, _ in one.owners} - homes.keys():
            homes[roll] = _homes(run, roll)
        for path, file in _paths(run, one, homes):
            progress.file(path)
            fact, _ = prove_copy(run.context, run.drive, path, file)
            if fact.result is not Result.MISSING:
                run.bad(one, fact)
                break
        else:
            rest.append(one)
    return rest


@dataclass(frozen=True, slots=True)
class _Homes:
    """A roll's files by their paths, and folders in which most of it lies now."""

    files: dict[str, RollFile]
    names: tuple[str, ...]
    folders: tuple[str, ...]


def _homes(run: Run, roll: RollId) -> _Homes:
    now = roll_now(run.context, roll)
    lies = (
        copy.path
        for group in now.copies.values()
        for copy in group
        if copy.place == run.drive.place.id and copy.state in THERE
    )
    return _Homes(
        files={file.path: file for file in now.roll.files},
        names=(*(file.path for file in now.roll.files), *now.roll.folders),
        folders=homes_of_moved(now.roll, lies),
    )


def _paths(run: Run, one: Missed, homes: Mapping[RollId, _Homes]) -> Iterator[tuple[str, RollFile]]:
    """Where a file that nobody knows stands at its very path, in a folder where most of its roll is."""
    for roll, inner in sorted(one.owners):
        known = homes[roll]
        for folder in known.folders:
            for path in possible_paths(folder, known.names)[inner]:
                entry = entry_at(run.context, run.drive, path)
                if is_file(entry) and not run.beliefs.at(path):
                    yield path, known.files[inner]
