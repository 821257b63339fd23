"""Files that no roll knows, in the folders of a drive where rolls lie: nobody keeps them anywhere else."""

from collections.abc import Collection, Iterator

from backupkeeper.actions.context import Context
from backupkeeper.actions.findings import VerifyRun
from backupkeeper.actions.one_roll import roll_now
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.proving import MISSING_NUMBERS
from backupkeeper.core.lying import THERE
from backupkeeper.core.model import Blake3, Fact, Result, Roll
from backupkeeper.core.moving import homes_of_moved
from backupkeeper.core.naming import limits_of
from backupkeeper.core.outcomes import Checked, Finding, Trouble
from backupkeeper.ports.files import EntryKind


def name_unknown(
    context: Context, drive: OnlineDrive, folder: str, asked: Collection[str], run: VerifyRun
) -> None:
    """Files in a folder where a roll lies that are no roll's, by what is believed of the drive.

    Args:
        context: the world.
        drive: which.
        folder: in which a roll lies.
        asked: paths at which something was looked for: what stands there is told of these.
        run: told what was found.
    """
    if (drive.place.name, folder) in run.named:
        return
    run.named.add((drive.place.name, folder))
    # A file system that takes names for one that differ in case lists them as they were typed last.
    key = limits_of(drive.info.mount.fs_type).key
    newest: dict[tuple[str, Blake3], Fact] = {}
    for fact in context.catalog.facts_at(drive.place.id, below=folder):
        before = newest.get((fact.path, fact.content))
        if before is None or before.at <= fact.at:
            newest[fact.path, fact.content] = fact
    known = (path for (path, _), fact in newest.items() if fact.result is not Result.MISSING)
    keys = {key(path) for path in (*known, *asked)}
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
    context: Context, drive: OnlineDrive, roll: Roll, asked: Collection[str], run: VerifyRun
) -> None:
    """The same, where somebody moved most of the roll to."""
    now = roll_now(context, roll.head.id)
    lies = [
        copy.path
        for group in now.copies.values()
        for copy in group
        if copy.place == drive.place.id and copy.state in THERE
    ]
    for folder in homes_of_moved(roll, lies):
        name_unknown(context, drive, folder, asked, run)


def _walk(context: Context, drive: OnlineDrive, folder: str, run: VerifyRun) -> Iterator[str]:
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        if not drive.stays_on(here):
            continue  # it leads elsewhere, through a link or another mount
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
