"""Being woken when files change on a drive, by watchdog.

Promises:
1. ``watch`` returns at once: taking in a large tree goes on in a thread of its own.
2. Only what was made, written, moved or removed counts; who only reads wakes nobody. Of what comes
   in a burst at least one path of each folder is told, half a second after the burst's first at most.
3. A watched drive can be unmounted (while its tree is being taken in, it is read, and so in use); one
   that goes away under the watch ends it quietly.
4. Nothing is lost in silence: where the system drops changes, the root itself is told, which means
   that anything may have changed; what can't be watched, or not whole, is told in a sentence, once.
5. Nothing is raised, and no thread is left behind, but for one that waits for a dead drive.
"""

import errno
import logging
import os
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Final

from watchdog.events import (
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

_EVENTS: Final = (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,  # after writing
    FileCreatedEvent,
    FileDeletedEvent,
    FileModifiedEvent,
    FileMovedEvent,
)
BURST_S: Final = 0.5
MOST_FOLDERS: Final = 1000
"""Above so many folders in one burst it is the root that changed."""
_END_S: Final = 3.0
_LOST: Final = "overflow"
"""How watchdog's own log says that the system dropped changes; it has no other word for it."""


class DogTreeWatch:
    """``ports.watch.TreeWatch`` on watchdog.

    Args:
        on_trouble: called with a sentence where a tree can't be watched, from any thread.
        burst_s: for so many seconds changes are gathered before they are told.
    """

    def __init__(self, on_trouble: Callable[[str], None], *, burst_s: float = BURST_S) -> None:
        self._on_trouble = on_trouble
        self._burst_s = burst_s
        self._lock = threading.Lock()
        self._trees: dict[str, _Tree] = {}
        self._said: dict[str, str] = {}
        self._bursts: _Bursts | None = None
        self._log = _LogOfLosses(self._lost)

    def watch(self, root: str, on_path: Callable[[str], None]) -> None:
        """Watch everything below a folder; again is no harm, and helps where it is another by now."""
        with self._lock:
            if self._bursts is None:
                self._bursts = _Bursts(self._burst_s)
                self._log.begin()
            tree = self._trees.get(root)
            if tree is None:
                tree = self._trees[root] = _Tree(root, on_path, self._bursts.put)
            elif tree.is_attended:
                return
            tree.is_attended = True
        _aside(lambda: self._attend(tree), f"watch {root}")

    def unwatch(self, root: str) -> None:
        """Stop watching; no error if it was not watched or is gone."""
        with self._lock:
            self._said.pop(root, None)
            tree = self._trees.pop(root, None)
        if tree is not None:
            tree.has_ended = True
            _aside(tree.end, f"unwatch {root}")

    def stop(self) -> None:
        """End all watching within a few seconds."""
        with self._lock:
            trees, self._trees = list(self._trees.values()), {}
            bursts, self._bursts = self._bursts, None
        if bursts is None:
            return
        ends = [_aside(tree.end, f"unwatch {tree.root}") for tree in trees]
        bursts.end()
        for thread in ends:
            thread.join(_END_S / len(ends))  # one that hangs on a dead drive is left to itself
        self._log.end()

    def _attend(self, tree: "_Tree") -> None:
        """Take in a tree, or take it in anew where its root is another folder by now."""
        said = ""
        try:
            said = tree.attend()
        except OSError as error:
            said = _cannot(tree.root, error)
        except Exception as error:  # noqa: BLE001 - a drive torn off while watchdog walks it
            said = f"{tree.root} can't be watched ({error})."
        finally:
            tree.is_attended = False
        with self._lock:
            is_news = bool(said) and not tree.has_ended and self._said.get(tree.root) != said
            if is_news:
                self._said[tree.root] = said
        if is_news:
            with suppress(Exception):  # what the callee makes of it is its own business
                self._on_trouble(said)

    def _lost(self, way: str) -> None:
        with self._lock:
            trees = [tree for tree in self._trees.values() if tree.way == way]
        for tree in trees:
            tree.tell(tree.root)


class _Tree(FileSystemEventHandler):
    """One tree under watch."""

    def __init__(
        self, root: str, on_path: Callable[[str], None], put: "Callable[[_Tree, str], None]"
    ) -> None:
        self.root = root
        self.on_path = on_path
        self.is_attended = False
        self.has_ended = False
        self.way = root
        self._put = put
        self._lock = threading.Lock()
        self._observer: BaseObserver | None = None
        self._identity: tuple[int, int] | None = None

    def attend(self) -> str:
        """Take in the tree, which may take long; a sentence where it could not be taken in whole.

        Raises:
            OSError: it can't be watched.
        """
        with os.scandir(self.root):  # watchdog passes over what may not be read, and over links
            found = os.stat(self.root)
        identity = (found.st_dev, found.st_ino)
        if self._observer is not None and identity == self._identity:
            return ""
        self._let_go()
        observer = Observer()
        try:
            # A link is not followed by watchdog: its way ends in what it leads to.
            self.way = os.path.realpath(self.root)
            observer.schedule(self, self.way, recursive=True, event_filter=list(_EVENTS))
            observer.start()
            self._identity = identity
        except BaseException:
            _stop(observer)
            raise
        with self._lock:
            if not self.has_ended:
                self._observer = observer
        if self._observer is None:  # ended meanwhile
            _stop(observer)
            return ""
        return "" if _may_watch_more(self.way) else _too_many(self.root)

    def end(self) -> None:
        """Stop; a tree that is still being taken in stops once it is."""
        self.has_ended = True
        self._let_go()

    def _let_go(self) -> None:
        with self._lock:
            observer, self._observer = self._observer, None
        if observer is not None:
            _stop(observer)

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Something happened."""
        for path in {event.src_path, event.dest_path}:
            inner = os.fsdecode(path).removeprefix(self.way)
            if path and not is_ours(inner):
                self.tell(self.root + inner)

    def tell(self, path: str) -> None:
        """A path changed."""
        if not self.has_ended:
            self._put(self, path)


class _Bursts:
    """Tells what changed in bursts, from one thread: a large copy is thousands of changes a second."""

    def __init__(self, burst_s: float) -> None:
        self._burst_s = burst_s
        self._changed = threading.Condition()
        self._ended = threading.Event()
        self._paths: dict[_Tree, dict[str, str]] = {}
        self._thread = _aside(self._run, "tree watch")

    def put(self, tree: _Tree, path: str) -> None:
        """A path changed."""
        with self._changed:
            folders = self._paths.setdefault(tree, {})
            if tree.root in folders.values():
                return
            if len(folders) >= MOST_FOLDERS or path == tree.root:
                folders.clear()
                path = tree.root
            folders[path.rpartition("/")[0]] = path
            self._changed.notify()

    def end(self) -> None:
        """Tell nothing any more."""
        self._ended.set()
        with self._changed:
            self._changed.notify()
        self._thread.join(_END_S)

    def _run(self) -> None:
        while not self._ended.is_set():
            with self._changed:
                self._changed.wait_for(lambda: self._paths or self._ended.is_set())
            self._ended.wait(self._burst_s)
            with self._changed:
                told, self._paths = self._paths, {}
            for tree, folders in told.items():
                for path in folders.values():
                    if not tree.has_ended and not self._ended.is_set():
                        with suppress(Exception):  # what the callee makes of it is its own business
                            tree.on_path(path)


class _LogOfLosses(logging.Handler):
    """Listens to watchdog's log for changes that the system dropped; keeps it off the screen."""

    def __init__(self, on_lost: Callable[[str], None]) -> None:
        super().__init__(logging.WARNING)
        self._on_lost = on_lost

    def begin(self) -> None:
        """Listen."""
        logging.getLogger("watchdog").addHandler(self)

    def end(self) -> None:
        """Stop listening."""
        logging.getLogger("watchdog").removeHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        """One line of the log; that of a loss names the tree in its arguments."""
        if _LOST in str(record.msg) and isinstance(record.args, tuple):
            for argument in record.args:
                if isinstance(argument, bytes):
                    self._on_lost(os.fsdecode(argument))


def is_ours(path: str) -> bool:
    """Whether a path below a root is of this program's own making."""
    parts = path.split("/")
    return ".backupkeeper" in parts or "ascmhl" in parts or is_temp_name(parts[-1])


def _cannot(root: str, error: OSError) -> str:
    match error.errno:
        case errno.ENOENT | errno.ENOTDIR:
            return ""  # gone again: no news
        case errno.ENOSPC:
            return _too_many(root)
        case errno.EMFILE:
            return (
                f"{root} can't be watched, for too much is watched already: what changes there may be "
                "noticed later, when it is plugged in again. To raise the bound: "
                "fs.inotify.max_user_instances."
            )
        case _:
            return f"{root} can't be watched ({error.strerror})."


def _too_many(root: str) -> str:
    return (
        f"{root} has more folders than this system lets a person watch: what changes there may be "
        "noticed later, when it is plugged in again. To raise the bound: fs.inotify.max_user_watches."
    )


def _may_watch_more(way: str) -> bool:
    """Whether one more folder could be watched: watchdog says nothing of folders that it left out."""
    observer = Observer()  # with a count of its own: in the other this folder would not count again
    try:
        observer.schedule(FileSystemEventHandler(), way, recursive=False)
        observer.start()
    except OSError as error:
        return error.errno != errno.ENOSPC
    finally:
        _stop(observer)
    return True


def _stop(observer: BaseObserver) -> None:
    observer.stop()
    if observer.is_alive():
        observer.join(_END_S)


def _aside(work: Callable[[], None], name: str) -> threading.Thread:
    thread = threading.Thread(target=work, name=name, daemon=True)
    thread.start()
    return thread
