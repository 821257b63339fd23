"""A card in memory that can do what no file system of this machine does: lead back to itself,
fail at one entry, hold other file systems. Only what a walk may use is there; anything else that
a walk tried would be an AttributeError."""

import errno
from collections.abc import Iterator
from typing import cast

from backupkeeper.ports.files import EntryKind, Files, Stat

ROOT = "/media/card"


class MadeUpCard:
    """Entries by absolute path. ``asked`` is every path that was looked at, in order."""

    def __init__(self) -> None:
        self.stats: dict[str, Stat] = {}
        self.names: dict[str, list[str]] = {}
        self.stat_errors: dict[str, int] = {}
        self.list_errors: dict[str, int] = {}
        self.asked: list[str] = []
        self.put("", EntryKind.FOLDER)

    def put(
        self,
        path: str,
        kind: EntryKind = EntryKind.FILE,
        *,
        size: int = 1,
        device: int = 7,
        inode: int | None = None,
    ) -> None:
        """Add an entry, and the folders above it."""
        absolute = f"{ROOT}/{path}" if path else ROOT
        parent, _, name = absolute.rpartition("/")
        if path and parent not in self.names:
            missing = [parent]
            while missing[-1].rpartition("/")[0] not in self.names:
                missing.append(missing[-1].rpartition("/")[0])
            for folder in reversed(missing):
                self.put(folder[len(ROOT) + 1 :], EntryKind.FOLDER)
        if path:
            self.names[parent].append(name)
        if kind is EntryKind.FOLDER:
            self.names[absolute] = []
        self.stats[absolute] = Stat(
            kind=kind,
            size=size,
            mtime_ns=1_781_222_400_000_000_000,
            device=device,
            inode=len(self.stats) + 1 if inode is None else inode,
            links=1,
        )

    def stat(self, path: str) -> Stat:
        self.asked.append(path)
        if path in self.stat_errors:
            raise OSError(self.stat_errors[path], "made up")
        if path not in self.stats:
            raise OSError(errno.ENOENT, "made up")
        return self.stats[path]

    def list(self, path: str) -> Iterator[tuple[str, EntryKind]]:
        self.asked.append(path)
        if path in self.list_errors:
            raise OSError(self.list_errors[path], "made up")
        for name in self.names[path]:
            yield name, self.stats[f"{path}/{name}"].kind

    @property
    def files(self) -> Files:
        return cast("Files", self)


class EndlessCard(MadeUpCard):
    """Every folder holds two folders, each time with a new inode: a damaged table of folders."""

    def stat(self, path: str) -> Stat:
        return Stat(
            kind=EntryKind.FOLDER, size=0, mtime_ns=0, device=7, inode=hash(path) | 1, links=1
        )

    def list(self, path: str) -> Iterator[tuple[str, EntryKind]]:
        yield "a", EntryKind.FOLDER
        yield "b", EntryKind.FOLDER
