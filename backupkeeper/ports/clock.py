"""Time and chance, handed in so that they can be made up."""

from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    """The time of day and a stopwatch."""

    def now(self) -> datetime:
        """The present time, aware, UTC, whole microseconds."""
        ...

    def monotonic(self) -> float:
        """Seconds of a stopwatch that never goes back."""
        ...


class Entropy(Protocol):
    """Chance."""

    def new_id(self) -> str:
        """A random UUID (RFC 9562 version 4) as text."""
        ...
