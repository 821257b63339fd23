"""Being woken when files change on a drive, by watchdog.

Promises:
1. ``watch`` returns at once: taking in a large tree goes on in a thread of its own.
2. Only what was made, written, moved or removed counts; who only reads wakes nobody.
3. A watched drive can be unmounted; one that goes away under it ends the watch quietly.
4. What can't be watched, or not whole, is told in a sentence; nothing is raised.
"""

import errno
import os
import threading
from collections.abc import Callable
from typing import Final

from watchdog.events import (
    EVENT_TYPE_CLOSED,
    EVENT_TYPE_CREATED,
    EVENT_TYPE_DELETED,
    EVENT_TYPE_MODIFIED,
    EVENT_TYPE_MOVED,
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from backupkeeper.transfer.durable import is_temp_name

_CHANGES: Final = frozenset(
    {
        EVENT_TYPE_CLOSED,  # after writing
        EVENT_TYPE_CREATED,
        EVENT_TYPE_DELETED,
        EVENT_TYPE_MODIFIED,
        EVENT_TYPE_MOVED,
    }
)
_EVENTS: Final = (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileModifiedEvent,
    FileMovedEvent,
)
_LIMITS: Final = frozenset({errno.ENOSPC, errno.EMFILE})
_JOIN_S: Final = 2.0
LIMIT: Final = "/proc/sys/fs/inotify/max_user_watches"


class DogTreeWatch:
    """``ports.watch.TreeWatch`` on watchdog.

    Args:
        on_trouble: called with a sentence where a tree can't be watched, from any thread.
        limit: file that says how many folders the system lets one person watch (inotify(7)).
    """

    def __init__(self, on_trouble: Callable[[str], None], *, limit: str = LIMIT) -> None:
        self._on_trouble = on_trouble
        self._limit = limit
        self._lock = threading.Lock()
        self._watched: dict[str, _Tree] = {}

    def watch(self, root: str, on_path: Callable[[str], None]) -> None:
        """Watch everything below a folder; again is no harm."""
        with self._lock:
            if root in self._watched:
                return
            tree = self._watched[root] = _Tree(root, on_path)
        threading.Thread(
            target=self._begin, args=(tree,), name=f"watch {root}", daemon=True
        ).start()

    def unwatch(self, root: str) -> None:
        """Stop watching; no error if it was not watched or is gone."""
        with self._lock:
            tree = self._watched.pop(root, None)
        if tree is not None:
            threading.Thread(target=tree.end, name=f"unwatch {root}", daemon=True).start()

    def stop(self) -> None:
        """End all watching within a few seconds."""
        with self._lock:
            trees, self._watched = list(self._watched.values()), {}
        for tree in trees:
            tree.end()

    def _begin(self, tree: "_Tree") -> None:
        try:
            tree.begin()
            if _has_more_folders(tree.root, self._limit):
                self._on_trouble(_too_many(tree.root))
        except OSError as error:
            if error.errno in _LIMITS:
                self._on_trouble(_too_many(tree.root))
            elif error.errno not in {errno.ENOENT, errno.ENOTDIR}:  # gone again: no news
                self._on_trouble(f"{tree.root} can't be watched ({error.strerror}).")
        except Exception as error:  # noqa: BLE001 - a drive torn off while watchdog walks it
            self._on_trouble(f"{tree.root} can't be watched ({error}).")


class _Tree(FileSystemEventHandler):
    """One tree under watch."""

    def __init__(self, root: str, on_path: Callable[[str], None]) -> None:
        self.root = root
        self._on_path = on_path
        self._lock = threading.Lock()
        self._observer: BaseObserver | None = None
        self._ended = False

    def begin(self) -> None:
        """Take in the tree; may take long."""
        observer = Observer()
        observer.schedule(self, self.root, recursive=True, event_filter=list(_EVENTS))
        observer.start()
        with self._lock:
            if not self._ended:
                self._observer = observer
                return
        _stop(observer)

    def end(self) -> None:
        """Stop; a tree that is still being taken in stops once it is."""
        with self._lock:
            self._ended = True
            observer, self._observer = self._observer, None
        if observer is not None:
            _stop(observer)

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Something happened."""
        if self._ended or event.event_type not in _CHANGES:
            return
        for path in {event.src_path, event.dest_path}:
            text = os.fsdecode(path)
            if text and not is_ours(text.removeprefix(self.root)):
                self._on_path(text)


def _too_many(root: str) -> str:
    return (
        f"{root} has more folders than this system lets a program watch: what changes there may be "
        "noticed later, when it is plugged in again. To raise the bound: fs.inotify.max_user_watches."
    )


def _has_more_folders(root: str, limit: str) -> bool:
    """Whether a tree has more folders than may be watched: watchdog says nothing of what it left."""
    try:
        with open(limit, encoding="ascii") as file:
            most = int(file.read())
    except (OSError, ValueError):
        return False
    return any(count > most for count, _ in enumerate(os.walk(root), start=1))


def is_ours(path: str) -> bool:
    """Whether a path below a root is of this program's own making."""
    parts = path.split("/")
    return ".backupkeeper" in parts or "ascmhl" in parts or is_temp_name(parts[-1])


def _stop(observer: BaseObserver) -> None:
    observer.stop()
    observer.join(_JOIN_S)
