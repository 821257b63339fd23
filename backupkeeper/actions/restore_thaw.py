"""Objects of archive classes: asked to be thawed once, and waited for where the person wants that.

Promises:
1. Nothing is asked for twice: what the store says that it is thawing is left at that.
2. What can't be had yet is told with when it is worth coming back, never as lost.
3. Waiting asks seldom, and ever more seldom, for one object; only then for the others.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

from backupkeeper.actions.restore_plan import Around, Task
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.prices import is_asleep
from backupkeeper.core.restoring import Source
from backupkeeper.ports.progress import Progress

FIRST_LOOK_S: Final = 60.0
LONGEST_WAIT_S: Final = 3600.0
Pause = Callable[[float], None]
"""Waits for so many seconds."""
USUAL_TIMES: Final = {
    "Expedited": "1 to 5 minutes (deep archives know no such thing)",
    "Standard": "3 to 5 hours (12 from a deep archive)",
    "Bulk": "5 to 12 hours (48 from a deep archive)",
}
"""How long it mostly takes: from memory of what the first such service promises; yours may differ."""


def sleeper(task: Task) -> Source | None:
    """The copy that must be thawed to have the file; None where one can be had now, or none at all."""
    first = task.sources[0] if task.sources else None
    return first if first is not None and first.asleep else None


def ask_for(around: Around, tasks: Sequence[Task]) -> list[tuple[Task, BackupkeeperError]]:
    """Have the store thaw what these files need; those for which it would not be asked."""
    asked, failed = around.asked, []
    for task in tasks:
        source = sleeper(task)
        if source is None or source.thawing:
            continue
        bucket = around.buckets[source.copy.place]
        try:
            entry = bucket.look(source.copy.path)
            if entry is not None and is_asleep(entry.shelf, entry.thaw):
                bucket.thaw(entry, tier=asked.tier, days=asked.keep_days)
        except BackupkeeperError as error:
            failed.append((task, error))
    return failed


def awake(around: Around, task: Task) -> Task | None:
    """The same task once its object can be had; None: not yet.

    Raises:
        BucketUnreachableError: the store can't be asked.
    """
    source = sleeper(task)
    if source is None:
        return task
    entry = around.buckets[source.copy.place].look(source.copy.path)
    if entry is not None and is_asleep(entry.shelf, entry.thaw):
        return None
    sources = (replace(source, asleep=False, thawing=False), *task.sources[1:])
    return replace(task, sources=sources)


def wait_for(around: Around, tasks: Sequence[Task], pause: Pause, progress: Progress) -> list[Task]:
    """Wait until all of these can be had.

    Raises:
        BucketUnreachableError: the store can't be asked any more.
    """
    ready: list[Task] = []
    delay = FIRST_LOOK_S
    for task in tasks:
        while (now := awake(around, task)) is None:
            progress.note(f"Waiting for {len(tasks) - len(ready)} files to be thawed.")
            pause(delay)
            delay = min(2 * delay, LONGEST_WAIT_S)
        ready.append(now)
    return ready


def come_again(around: Around, files: int) -> str:
    """When it is worth repeating the command."""
    tier, days = around.asked.tier, around.asked.keep_days
    usual = USUAL_TIMES.get(tier, "hours")
    return (
        f"The store is thawing {files:,} files. That mostly takes {usual}. Repeat the same command "
        f"then: what is there is kept, and what is thawed stays so for {days} days. With --wait it "
        "waits by itself."
    )
