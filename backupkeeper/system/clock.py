"""The machine's clock, passed through."""

import time
from datetime import UTC, datetime


class RealClock:
    """``ports.clock.Clock`` on this machine."""

    def now(self) -> datetime:
        """The present time, aware, UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds of a stopwatch that never goes back."""
        return time.monotonic()
