"""Being woken when something is mounted, unmounted or changed. Wakes only; decides nothing."""

from collections.abc import Callable
from typing import Protocol


class MountWatch(Protocol):
    """Calls ``on_change`` (from a thread of its own) soon after the mount table changed.

    It may call once too often; it never misses the last change. The callee looks for itself.
    """

    def start(self, on_change: Callable[[], None]) -> None:
        """Begin; returns at once."""
        ...

    def stop(self) -> None:
        """End within a second; no call begins afterwards."""
        ...


class TreeWatch(Protocol):
    """Calls ``on_path`` (from a thread of its own) for paths that were made, written, moved, removed.

    Of many changes in one folder at least one path in it is told, soon. The root itself is told where
    nobody knows what changed: anything below it may have.
    """

    def watch(self, root: str, on_path: Callable[[str], None]) -> None:
        """Watch everything below a folder; again is no harm, and mends a watch that failed.

        Returns at once: taking in a large tree goes on in a thread of its own.
        """
        ...

    def unwatch(self, root: str) -> None:
        """Stop watching; no error if it was not watched or is gone."""
        ...

    def stop(self) -> None:
        """End all watching within a few seconds."""
        ...
