"""The machine's clock, passed through."""

import time
from datetime import UTC, datetime, timedelta


class RealClock:
    """``ports.clock.Clock`` on this machine."""

    def now(self) -> datetime:
        """The present time, aware, UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds of a stopwatch that never goes back."""
        return time.monotonic()


class ShiftedClock:
    """The machine's clock, so much ahead of (or behind) its time of day. For tests of long times."""

    def __init__(self, ahead: timedelta) -> None:
        self._ahead = ahead

    def now(self) -> datetime:
        """The present time and the shift, aware, UTC."""
        return datetime.now(UTC) + self._ahead

    def monotonic(self) -> float:
        """Seconds of a stopwatch that never goes back."""
        return time.monotonic()
