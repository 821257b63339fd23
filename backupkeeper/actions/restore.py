"""Restore: files, rolls, shoots or everything back into a folder, from wherever they are right.

Promises:
1. Everything is said before anything is done, and done only if the person agrees.
2. A file gets its name once it came back from the medium right; what has a name there already is never
   written over: it is kept where it is right, and told where it is something else.
3. A place that fails is made up for by the next one, block by block; what an interruption left is gone
   on with.
4. A whole roll comes with its empty folders and its manifests, so that it can be checked by itself.
"""

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from typing import Protocol

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import holding
from backupkeeper.actions.rates import note_rate
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.restore_files import RestoreRun, bring_file, missed, take_in
from backupkeeper.actions.restore_history import bring_history
from backupkeeper.actions.restore_lanes import Lane, work_off
from backupkeeper.actions.restore_plan import (
    Around,
    RollTasks,
    Task,
    look_around,
    plan_of,
    tasks_of,
)
from backupkeeper.actions.restore_target import Target, find_target
from backupkeeper.actions.restore_thaw import Pause, ask_for, come_again, sleeper, wait_for
from backupkeeper.core.errors import (
    BackupkeeperError,
    DeviceError,
    NoSpaceError,
    OutOfReachError,
    PlaceHeldError,
)
from backupkeeper.core.model import PlaceId
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.restoring import (
    Agree,
    Asked,
    Fate,
    NotThere,
    RestoreOutcome,
    RestorePlan,
    Shares,
)
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldpolicy import ColdKind


class Finish(Protocol):
    """What is made of a restore by whoever asked for it, instead of only bringing the manifests."""

    further: tuple[str, ...]
    """Digests to be made of every file as it is read back."""

    def roll_came(self, run: RestoreRun, roll: RollTasks) -> None:
        """All that can be had of a whole roll was brought."""
        ...

    def all_came(self, run: RestoreRun) -> None:
        """All that can be had of everything was brought."""
        ...


def restore(
    context: Context,
    asked: Asked,
    agree: Agree,
    progress: Progress,
    *,
    pause: Pause,
    finish: Finish | None = None,
) -> RestoreOutcome:
    """Bring back what is asked for.

    Args:
        context: the world.
        asked: what, whereto, from where.
        agree: shown the plan before anything is done; False: nothing is.
        progress: told as it goes.
        pause: waits for so many seconds, where what is thawed is waited for.
        finish: what is made of it, where that is more than a restore.

    Raises:
        UsageError: nothing of that name is known, or the folder can't be restored to.
        NoSpaceError: there is no room; also while it goes, if another program takes it.
        OutOfReachError: the folder's drive is gone, or the only place to take from is.
        PlaceHeldError: another program of ours is at work on a drive, or restores to that folder.
    """
    begun = context.clock.monotonic()
    target = find_target(context, asked.to)
    around = look_around(context, asked, target)
    plan = plan_of(around)
    if not agree(plan):
        return RestoreOutcome(plan=plan, done=False)
    if not plan.fits:
        raise NoSpaceError(
            asked.to,
            28,
            advice=f"{plan.needed_bytes:,} bytes are needed, {plan.free_bytes:,} are free.",
        )
    around.shares = Shares()
    run = RestoreRun(context=context, around=around)
    if finish is not None:
        run.further = finish.further
    with ExitStack() as stack:
        target.make(context.files, "")
        _hold(context, stack, target)
        _hold_drives(context, stack, around, plan)
        for roll in around.chosen.rolls:
            tasks = tasks_of(around, roll)
            _restore_roll(run, tasks, _to_thaw(run, tasks), progress, finish)
        _thaw(run, pause, progress, finish)
        if finish is not None:
            finish.all_came(run)
    progress.end()
    run.troubles += [
        Trouble(place="", path="", message=sentence)
        for sentence in around.away.values()
        if any(one.fate is Fate.HOMELESS for one in run.not_there)
    ]
    return run.outcome(plan, context.clock.monotonic() - begun)


def _hold_drives(context: Context, stack: ExitStack, around: Around, plan: RestorePlan) -> None:
    """Those that the plan takes from must be free; the others may help out if they are."""
    first = {one.place for one in plan.portions}
    needed = [drive for drive in around.drives.values() if drive.place.name in first]
    stack.enter_context(holding(context, needed, doing="restoring"))
    for place, drive in list(around.drives.items()):
        if drive in needed:
            continue
        try:
            stack.enter_context(holding(context, [drive], doing="restoring"))
        except OutOfReachError as error:
            around.away[place] = str(error)
            del around.drives[place]


def _hold(context: Context, stack: ExitStack, target: Target) -> None:
    """Two restores into one folder would write to the same temporary files."""
    try:
        handle = context.files.lock(target.root)
    except BlockingIOError as error:
        raise PlaceHeldError(target.root, process=None, doing="restoring to it") from error
    except OSError as error:
        raise DeviceError(target.root, error.errno or 0) from error
    stack.callback(context.files.close, handle)


def _to_thaw(run: RestoreRun, roll: RollTasks) -> frozenset[str]:
    """Paths of the files that can't be had before they were thawed: asked for here, once."""
    asleep = [task for task in roll.tasks if sleeper(task) is not None]
    if not asleep:
        return frozenset()
    failed = ask_for(run.around, asleep)
    for task, error in failed:
        missed(run, task, Fate.FAILED, str(error))
    wrong = {task.path for task, _ in failed}
    if left := [task for task in asleep if task.path not in wrong]:
        run.pending.append((roll, left))
    return frozenset(task.path for task in asleep)


def _thaw(run: RestoreRun, pause: Pause, progress: Progress, finish: Finish | None) -> None:
    """Wait for what is being thawed, and bring it; or say when to come again."""
    if not run.around.asked.wait:
        for _, tasks in run.pending:
            for task in tasks:
                missed(run, task, Fate.THAWING)
        files = sum(len(tasks) for _, tasks in run.pending)
        run.come_again = come_again(run.around, files) if files else ""
        return
    pending, run.pending = run.pending, []
    for roll, tasks in pending:
        ready = wait_for(run.around, tasks, pause, progress)
        _restore_roll(run, replace(roll, tasks=tuple(ready)), frozenset(), progress, finish)


def _restore_roll(
    run: RestoreRun,
    roll: RollTasks,
    without: frozenset[str],
    progress: Progress,
    finish: Finish | None,
) -> None:
    """Bring a roll's files, but for those ``without``, then its folders and manifests."""
    context = run.context
    tasks = [task for task in roll.tasks if task.path not in without]
    progress.begin(
        f"Restoring {roll.folder}",
        total_bytes=sum(task.file.size for task in tasks),
        total_files=len(tasks),
    )
    run.contents = context.catalog.contents(task.file.content for task in tasks)
    run.renamed += [pair for pair in _renamed(roll) if pair not in run.renamed]
    begun, run.moved = context.clock.monotonic(), {}
    missing = len(run.not_there)
    lanes = _lanes(run, tasks)
    try:
        for came in work_off(
            lanes,
            lambda task, hands: bring_file(run, task, hands),
            progress,
            name=lambda task: task.path,
        ):
            take_in(run, came)
    finally:
        record_seen(context, run.proofs)
        run.proofs.clear()
    seconds = context.clock.monotonic() - begun
    for place, count in run.moved.items():
        note_rate(context, place, count, seconds)
    if roll.whole and not without:
        for folder in roll.now.roll.folders:
            _make_folder(run, f"{roll.folder}/{roll.names[folder]}")
        if finish is not None:
            finish.roll_came(run, roll)
            return
        is_whole = len(run.not_there) == missing
        told = bring_history(context, run.around, roll, is_whole=is_whole)
        run.notes += told.notes
        if told.brought:
            run.histories.append(roll.folder)


def _renamed(roll: RollTasks) -> list[tuple[str, str]]:
    folder = roll.now.roll.head.folder
    return [
        (f"{folder}/{path}", f"{roll.folder}/{name}")
        for path, name in roll.names.items()
        if path != name or roll.folder != folder
    ]


def _lanes(run: RestoreRun, tasks: Sequence[Task]) -> list[Lane[Task]]:
    """A lane for each place, and one for what stands there; what can't be had now is noted."""
    by_place: dict[PlaceId | None, list[Task]] = {}
    for task in tasks:
        if task.stands:
            by_place.setdefault(None, []).append(task)
        elif task.sources:
            by_place.setdefault(task.sources[0].copy.place, []).append(task)
        else:
            run.not_there.append(NotThere(path=task.path, size=task.file.size, fate=Fate.HOMELESS))
    if run.around.target.cold.kind is ColdKind.FUSE:
        # Its device's pages can only be dropped while nothing is written to it: one at a time.
        return [Lane(tasks=[task for given in by_place.values() for task in given], at_once=1)]
    at_once = run.context.config.upload.parallel_parts
    return [
        Lane(tasks=given, at_once=at_once if place in run.around.buckets else 1)
        for place, given in by_place.items()
    ]


def _make_folder(run: RestoreRun, folder: str) -> None:
    try:
        run.around.target.make(run.context.files, folder)
    except OutOfReachError:
        raise
    except BackupkeeperError as error:
        run.notes.append(f"The folder {folder} was not made: {error}")
