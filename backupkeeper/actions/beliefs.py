"""What is believed to stand at a path of a drive, and whether the entry there may be that.

Promises:
1. Only facts and entries are looked at; no file is opened, nothing is written.
2. An entry never shows that a file is there: only that it can't be the one that is believed in.
"""

from collections.abc import Iterable
from enum import Enum
from typing import TypeGuard

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.proving import MISSING_NUMBERS
from backupkeeper.core.harm import Standing, is_same_time
from backupkeeper.core.model import Blake3, Fact, Result, RollId
from backupkeeper.ports.files import EntryKind, Stat


class Beliefs:
    """Of one drive, as facts are when a path is asked for first; ``now`` says what was seen since."""

    def __init__(self, context: Context, drive: OnlineDrive) -> None:
        self._context, self._drive = context, drive
        self._at: dict[str, frozenset[Blake3]] = {}
        self._rolls: set[RollId] = set()
        self._owned: dict[Blake3, set[tuple[int, int]]] = {}
        """Sizes and times of files with a content, in the rolls that were looked at."""
        self._asked: set[Blake3] = set()

    def at(self, path: str) -> frozenset[Blake3]:
        """Contents that are believed to stand there: none where nothing was said, or that it was gone."""
        if path not in self._at:
            newest: dict[Blake3, Fact] = {}
            for fact in self._context.catalog.facts_at(self._drive.place.id, below=path):
                known = newest.get(fact.content)
                if fact.path == path and (known is None or known.at <= fact.at):
                    newest[fact.content] = fact
            self._at[path] = frozenset(
                content for content, fact in newest.items() if fact.result is not Result.MISSING
            )
        return self._at[path]

    def now(self, path: str, content: Blake3) -> None:
        """This, and nothing else, was read there just now."""
        self._at[path] = frozenset({content})

    def is_other(self, path: str, size: int, mtime_ns: int) -> bool:
        """Whether an entry can't be what is believed to stand there (nothing is: then it is other)."""
        return not any(
            self.may_be(self._owned_of(content), size, mtime_ns) for content in self.at(path)
        )

    def may_be(self, owned: Iterable[tuple[int, int]], size: int, mtime_ns: int) -> bool:
        """Whether an entry may be one of files with these sizes and times."""
        there = Standing(size=size, mtime_ns=mtime_ns, fs_type=self._drive.info.mount.fs_type)
        return any(size == its and is_same_time(there, time) for its, time in owned)

    def _owned_of(self, content: Blake3) -> Iterable[tuple[int, int]]:
        if content not in self._asked:
            self._asked.add(content)
            for one in self._context.catalog.rolls_with([content]) - self._rolls:
                self._rolls.add(one)
                for file in self._context.catalog.roll(one).files:
                    self._owned.setdefault(file.content, set()).add((file.size, file.mtime_ns))
        return self._owned.get(content, ())


class Unseen(Enum):
    """What there is to say where there is no entry."""

    NOTHING = "nothing stands there, or not on this drive"
    HIDDEN = "it can't be looked at"


def entry_at(context: Context, drive: OnlineDrive, path: str) -> Stat | Unseen:
    """What stands at a path of a drive."""
    if not drive.holds(path):
        return Unseen.NOTHING  # its folder leads off the drive now
    try:
        return context.files.stat(drive.absolute(path))
    except OSError as error:
        return Unseen.NOTHING if error.errno in MISSING_NUMBERS else Unseen.HIDDEN


def is_file(entry: Stat | Unseen) -> TypeGuard[Stat]:
    """Whether a regular file stands there."""
    return isinstance(entry, Stat) and entry.kind is EntryKind.FILE
