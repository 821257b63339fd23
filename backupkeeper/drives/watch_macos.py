"""Being woken when something is mounted on macOS: systems mount media below ``/Volumes``.

Never tried on macOS: what was tried is the same code on an ordinary folder on Linux. What else this
program needs of macOS (identity of drives, cold reads) is not there yet.
"""

import os
from collections.abc import Callable
from contextlib import suppress

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

VOLUMES = "/Volumes"


class FolderMountWatch:
    """``ports.watch.MountWatch`` on folders in which mount points come and go.

    Args:
        folders: watched without what is below their entries; one that is not there is passed over.
    """

    def __init__(self, folders: tuple[str, ...] = (VOLUMES,)) -> None:
        self._folders = folders
        self._observer: BaseObserver | None = None

    def start(self, on_change: Callable[[], None]) -> None:
        """Begin; returns at once."""
        observer = Observer()
        for folder in filter(os.path.isdir, self._folders):
            observer.schedule(_Bell(on_change), folder, recursive=False)
        observer.start()
        self._observer = observer

    def stop(self) -> None:
        """End within a second; no call comes afterwards."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(2.0)
            self._observer = None


class _Bell(FileSystemEventHandler):
    def __init__(self, on_change: Callable[[], None]) -> None:
        self._on_change = on_change

    def on_created(self, event: FileSystemEvent) -> None:  # noqa: ARG002 - watchdog's signature
        """A mount point, most likely."""
        self._ring()

    def on_deleted(self, event: FileSystemEvent) -> None:  # noqa: ARG002 - as above
        """One that is gone."""
        self._ring()

    def _ring(self) -> None:
        with suppress(Exception):  # what the callee makes of it is its own business
            self._on_change()
