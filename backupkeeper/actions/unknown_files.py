"""Files that no roll knows, in the folders of a drive where rolls lie: nobody keeps them anywhere else."""

from collections.abc import Collection, Iterator, Sequence

from backupkeeper.actions.context import Context
from backupkeeper.actions.copies_here import Asked
from backupkeeper.actions.findings import VerifyRun
from backupkeeper.actions.moved import Again
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.proving import MISSING_NUMBERS
from backupkeeper.core.model import Roll
from backupkeeper.core.moving import homes_of_moved
from backupkeeper.core.naming import limits_of
from backupkeeper.core.outcomes import Checked, Finding, Trouble
from backupkeeper.ports.files import EntryKind


def name_unknown(
    context: Context, drive: OnlineDrive, folder: str, known: Collection[str], run: VerifyRun
) -> None:
    """Files in a folder where a roll lies that are neither the roll's nor its manifest's."""
    # A file system that takes names for one that differ in case lists them as they were typed last.
    key = limits_of(drive.info.mount.fs_type).key
    keys = {key(path) for path in known}
    for path in _walk(context, drive, folder, run):
        if key(path) in keys or path.startswith(f"{folder}/ascmhl/"):
            continue
        run.checked.append(
            Checked(
                place=drive.place.name,
                path=path,
                finding=Finding.UNKNOWN,
                size=_size(context, drive, path),
                cold=False,
            )
        )


def name_unknown_where_moved(
    context: Context,
    drive: OnlineDrive,
    roll: Roll,
    copies: Sequence[Asked],
    again: Again,
    run: VerifyRun,
) -> None:
    """The same, where somebody moved most of the roll to; ``again`` was found and read just now."""
    paths = [one.path for one in copies]
    if len(paths) < len(roll.files):  # some of it was found again just now
        paths += again.paths
    for folder in homes_of_moved(roll, paths):
        facts = context.catalog.facts_at(drive.place.id, below=folder)
        proven = {fact.path for fact in facts if fact.is_proof}
        name_unknown(context, drive, folder, proven, run)


def _walk(context: Context, drive: OnlineDrive, folder: str, run: VerifyRun) -> Iterator[str]:
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        try:
            entries = sorted(context.files.list(drive.absolute(here)))
        except OSError as error:
            if here == folder and error.errno in MISSING_NUMBERS:
                return  # that all its files are missing is told
            message = f"The folder can't be listed: {error.strerror}."
            run.troubles.append(Trouble(place=drive.place.name, path=here, message=message))
            continue
        for name, kind in entries:
            if kind is EntryKind.FOLDER:
                waiting.append(f"{here}/{name}")
            else:
                yield f"{here}/{name}"


def _size(context: Context, drive: OnlineDrive, path: str) -> int:
    try:
        return context.files.stat(drive.absolute(path)).size
    except OSError:
        return 0
