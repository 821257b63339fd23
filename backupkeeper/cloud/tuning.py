"""How patient and how busy the bucket's client is: numbers with their units."""

from dataclasses import dataclass

from backupkeeper.cloud.throttle import Throttle


@dataclass(frozen=True, kw_only=True, slots=True)
class Tuning:
    """How patient we are. Times are seconds.

    ``connect_timeout`` also bounds each single piece of a body that is sent (128 KiB), not the
    whole body; ``read_timeout`` each wait for an answer. ``attempts`` counts the first one. Without
    ``usual_part`` (bytes) the size of a part follows from how many travel at once. What is sent
    passes through ``throttle`` (None: the whole line).
    """

    connect_timeout: float = 20.0
    read_timeout: float = 90.0
    attempts: int = 5
    usual_part: int | None = None
    throttle: Throttle | None = None
