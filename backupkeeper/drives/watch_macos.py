"""Being woken when something is mounted on macOS: systems mount media below ``/Volumes``.

Never tried on macOS: what was tried is the same code on ordinary folders on Linux. What else this
program needs of macOS (identity of drives, cold reads) is not there yet.

On Linux the same watch looks after the folders in which media are mounted, beside the mount table.
"""

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from watchdog.events import (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver, ObservedWatch

VOLUMES = "/Volumes"
_EVENTS = (DirCreatedEvent, DirDeletedEvent, DirMovedEvent)
_END_S = 1.0
Identity = tuple[int, int]


class FolderMountWatch(FileSystemEventHandler):
    """``ports.watch.MountWatch`` on folders in which mount points come and go.

    A bonus beside other watches: where the system lets nothing more be watched, it is silent.

    Args:
        folders: watched without what is below their entries. Of one that is not there, the nearest
            folder above it is watched until it comes.
    """

    def __init__(self, folders: tuple[str, ...] = (VOLUMES,)) -> None:
        self._folders = tuple(dict.fromkeys(os.path.abspath(folder) for folder in folders))
        self._observer: BaseObserver | None = None
        self._on_change: Callable[[], None] = lambda: None
        self._watched: dict[str, _Watched] = {}
        self._here: dict[str, Identity | None] = {}

    def start(self, on_change: Callable[[], None]) -> None:
        """Begin; returns at once; again is no harm."""
        if self._observer is not None:
            return
        self._on_change, self._watched = on_change, {}
        self._here = {folder: _identity(folder) for folder in self._folders}
        with suppress(OSError):  # too much is watched already
            self._observer = Observer()
            self._observer.start()
            self._arrange(self._observer)

    def stop(self) -> None:
        """End within a second; no call begins afterwards."""
        observer, self._observer = self._observer, None
        if observer is not None:
            observer.stop()
            observer.join(_END_S)

    def on_any_event(self, event: FileSystemEvent) -> None:
        """A folder came or went: in one of ours, or above one that is not there yet."""
        observer = self._observer
        if observer is None:
            return
        self._arrange(observer)
        # Only now: what comes from here on is told by what is watched now.
        before, self._here = self._here, {one: _identity(one) for one in self._folders}
        paths = [os.fsdecode(path) for path in (event.src_path, event.dest_path) if path]
        if before != self._here or any(os.path.dirname(path) in self._here for path in paths):
            with suppress(Exception):  # what the callee makes of it is its own business
                self._on_change()

    def _arrange(self, observer: BaseObserver) -> None:
        """Watch what is to be watched now, until nothing came or went meanwhile."""
        while True:
            wanted = {_nearest(folder) for folder in self._folders}
            identities = {folder: _identity(folder) for folder in wanted}
            for folder, watched in list(self._watched.items()):
                if identities.get(folder) != watched.identity:
                    del self._watched[folder]
                    with suppress(KeyError, OSError):
                        observer.unschedule(watched.watch)
            for folder, identity in identities.items():
                if folder not in self._watched and identity is not None:
                    with suppress(OSError):  # gone again, or too much is watched already
                        watch = observer.schedule(self, folder, event_filter=list(_EVENTS))
                        self._watched[folder] = _Watched(identity=identity, watch=watch)
            if {_nearest(folder) for folder in self._folders} == wanted:
                return


@dataclass(frozen=True, kw_only=True, slots=True)
class _Watched:
    identity: Identity
    watch: ObservedWatch


def _identity(folder: str) -> Identity | None:
    try:
        found = os.stat(folder)
    except OSError:
        return None
    return (found.st_dev, found.st_ino)


def _nearest(folder: str) -> str:
    """The folder, or the nearest one above it that is there."""
    while not os.path.isdir(folder) and folder != os.path.dirname(folder):
        folder = os.path.dirname(folder)
    return folder
