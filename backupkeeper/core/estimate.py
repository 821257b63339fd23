"""How fast something goes and how long it will take, from what was measured. Pure.

Nothing is said before something was measured.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

HALF_LIFE_S: Final = 30.0
"""A measurement counts half after so many seconds of work."""
MOST_LEFT: Final = timedelta(days=3650)


@dataclass(frozen=True, kw_only=True, slots=True)
class Pace:
    """Bytes a second, newer work counting more than older. ``weight``: seconds, faded, that it rests on."""

    bytes_a_second: float = 0.0
    weight: float = 0.0

    def after(self, byte_count: int, seconds: float) -> "Pace":
        """The pace with one more span of work."""
        if seconds <= 0:
            return self
        fades = 0.5 ** (seconds / HALF_LIFE_S)
        kept, new = self.weight * fades, HALF_LIFE_S / math.log(2) * (1 - fades)
        total = kept + new
        pace = (self.bytes_a_second * kept + byte_count / seconds * new) / total
        return Pace(bytes_a_second=pace, weight=total)


def pace_of(moves: Iterable[tuple[int, float]]) -> Pace:
    """The pace of several spans of work, oldest first."""
    pace = Pace()
    for byte_count, seconds in moves:
        pace = pace.after(byte_count, seconds)
    return pace


def left(byte_count: int, pace: Pace) -> timedelta | None:
    """How long so many bytes will take; None where nobody knows."""
    if byte_count <= 0:
        return timedelta(0)
    if pace.weight <= 0 or pace.bytes_a_second <= 0:
        return None
    seconds = byte_count / pace.bytes_a_second
    return min(timedelta(seconds=min(seconds, MOST_LEFT.total_seconds())), MOST_LEFT)
