"""Telling a person, while work goes on, how far it is."""

from typing import Protocol


class Progress(Protocol):
    """A long deed reports here; what is shown, and where, is the caller's business."""

    def begin(self, what: str, *, total_bytes: int, total_files: int) -> None:
        """A stage of work starts, of known size. Ends the stage before it."""
        ...

    def file(self, path: str) -> None:
        """Work on this file starts."""
        ...

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        """So many more bytes (and files) are done."""
        ...

    def note(self, text: str) -> None:
        """Something worth a line of its own."""
        ...

    def end(self) -> None:
        """The last stage is over."""
        ...


class Quiet:
    """A Progress that tells nobody."""

    def begin(self, what: str, *, total_bytes: int, total_files: int) -> None:
        """Tell nobody."""

    def file(self, path: str) -> None:
        """Tell nobody."""

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        """Tell nobody."""

    def note(self, text: str) -> None:
        """Tell nobody."""

    def end(self) -> None:
        """Tell nobody."""
