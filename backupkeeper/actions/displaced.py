"""Files in whose place another one was read: where they lie now, or that they are missing.

Promises:
1. What lies in a file's place was read and is another roll's or the same one's file: it counts there.
2. A file that lies nowhere on the drive is told as missing; nobody calls it damaged.
"""

from collections.abc import Collection
from dataclasses import replace
from typing import Final

from backupkeeper.actions.beliefs import Beliefs
from backupkeeper.actions.context import Context
from backupkeeper.actions.findings import Displaced, VerifyRun
from backupkeeper.actions.moved import find_moved
from backupkeeper.actions.moved_run import Again, as_moves, remember
from backupkeeper.actions.one_roll import roll_now
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.core.lying import THERE, Lying
from backupkeeper.core.model import Blake3, Copy, RollId
from backupkeeper.core.moving import Moved
from backupkeeper.core.outcomes import Finding
from backupkeeper.core.policy import copies_of
from backupkeeper.ports.progress import Progress

MAKE_ROOM: Final = (
    "Move that one away by hand; then 'backupkeeper mirror' brings what should lie there."
)


def add_moved(drive: OnlineDrive, again: Again, run: VerifyRun) -> None:
    """What was found again was read for that, and is right."""
    run.moved += again.moves
    for (path, content), size in again.found.items():
        run.count_found(drive.place.name, path, content, size)
    run.read_bytes += again.read_bytes
    if again.not_cold:
        run.not_cold[drive.place.name] = again.not_cold


def settle_displaced(
    context: Context, drive: OnlineDrive, run: VerifyRun, progress: Progress
) -> None:
    """Look for them where what lies in their place was believed to be, and all over the drive; tell.

    Raises:
        OutOfReachError: the drive goes.
    """
    here, run.displaced = run.displaced, []
    if not here:
        return
    at = {one.fact.path for one in here}
    others = _copies_of_those_there(context, drive, at)
    again = find_moved(
        context,
        drive,
        sorted({one.roll for one in here}),
        progress,
        also={copy.path for copy in others} - at,
    )
    add_moved(drive, again, run)
    sizes = context.catalog.contents(copy.content for copy in others)
    for copy in others:
        if copy.path in at:  # it was read there
            size = sizes[copy.content].size
            run.count_found(drive.place.name, copy.path, copy.content, size)
    contents = {content for _, content in again.found}
    moves = []
    lying: dict[RollId, Lying] = {}
    for one in here:
        if one.file.content in contents:
            continue  # it is told already
        if one.roll not in lying:
            now = roll_now(context, one.roll)
            lying[one.roll] = Lying(now.roll, now.copies, now.places, now.trees)
        path = _lies_at(lying[one.roll], one, drive)
        if path is None:
            fact = replace(one.fact, note=f"{one.fact.note}. {MAKE_ROOM}")
            run.add(drive.place.name, fact, one.file.size)
        else:
            moves.append(
                Moved(
                    place=drive.place.name,
                    was=one.fact.path,
                    now=path,
                    files=1,
                    size_bytes=one.file.size,
                    not_cold=0 if one.fact.cold else 1,
                )
            )
    told = as_moves(context, drive, moves, at)
    run.moved += told
    remember(context, drive, told)


def _copies_of_those_there(context: Context, drive: OnlineDrive, at: set[str]) -> list[Copy]:
    """Copies on this drive, believed in, of what was read at these paths."""
    beliefs = Beliefs(context, drive)
    there: set[Blake3] = set()
    for path in at:
        there |= beliefs.at(path)
    groups = copies_of(
        context.catalog.facts_of(there),
        {drive.place.id: drive.place},
        context.config.policy,
        context.clock.now(),
    )
    return [copy for group in groups.values() for copy in group if copy.state in THERE]


def _lies_at(lying: Lying, one: Displaced, drive: OnlineDrive) -> str | None:
    return next(
        (
            copy.path
            for copy in lying.own(one.file)
            if copy.place == drive.place.id and copy.state in THERE and copy.path != one.fact.path
        ),
        None,
    )


def know_unknown(
    context: Context,
    drive: OnlineDrive,
    rolls: Collection[RollId],
    run: VerifyRun,
    progress: Progress,
) -> None:
    """Unknown files beside some rolls may be other ones' of their shoots, that nobody looked for yet.

    Raises:
        OutOfReachError: the drive goes.
    """
    name = drive.place.name
    if not any(one.place == name and one.finding is Finding.UNKNOWN for one in run.checked):
        return
    heads = context.catalog.rolls()
    shoots = {head.shoot for head in heads if head.id in rolls}
    others = [head.id for head in heads if head.shoot in shoots and head.id not in rolls]
    again = find_moved(context, drive, others, progress, newly=True)
    add_moved(drive, again, run)
    known = {(name, path) for path, _ in again.found}
    run.checked = [
        one
        for one in run.checked
        if one.finding is not Finding.UNKNOWN or (one.place, one.path) not in known
    ]
