"""Letting bytes pass no faster than a limit: a token bucket as values, without a clock. Pure.

Promises:
1. Over any span of ``t`` seconds no more than ``limit * (t + BURST_S)`` bytes and one piece pass.
2. Whoever always has something to send gets the whole limit: what was not used is kept for
   ``BURST_S``, and a piece that was larger than what had gathered is paid for afterwards.
3. Another limit counts from the instant at which it is set.
"""

from dataclasses import dataclass, replace
from typing import Final

BURST_S: Final = 0.25
"""For so long what was not used is kept: threads wake late by some milliseconds."""
PIECE_S: Final = 0.05
"""A piece is what may pass in so many seconds."""
SMALLEST_PIECE: Final = 512
LARGEST_PIECE: Final = 64 * 1024


@dataclass(frozen=True, kw_only=True, slots=True)
class Pacing:
    """``limit``: bytes a second, None: as many as there are, 0: none.

    ``level``: bytes that may pass at ``at_s`` (a stopwatch's second); below nought: owed.
    """

    limit: float | None = None
    level: float = 0.0
    at_s: float = 0.0

    def now(self, at_s: float) -> "Pacing":
        """The same, later (a stopwatch that stood still or went back adds nothing)."""
        passed = max(0.0, at_s - self.at_s)
        if self.limit is None:
            return replace(self, at_s=at_s)
        level = min(self.level + passed * self.limit, self.limit * BURST_S)
        return replace(self, level=level, at_s=at_s)

    def limited_to(self, limit: float | None, at_s: float) -> "Pacing":
        """With another limit from now on."""
        if limit == self.limit:
            return self.now(at_s)
        before = self.now(at_s)
        most = 0.0 if limit is None else limit * BURST_S
        level = 0.0 if self.limit is None or limit is None else min(before.level, most)
        return replace(before, limit=limit, level=level)

    @property
    def may_pass(self) -> bool:
        """Whether a piece may pass at ``at_s``: nothing is owed."""
        return self.limit is None or (self.limit > 0 and self.level >= 0)

    def taken(self, byte_count: int) -> "Pacing":
        """After so many bytes passed."""
        return self if self.limit is None else replace(self, level=self.level - byte_count)

    @property
    def wait_s(self) -> float | None:
        """Seconds from ``at_s`` until a piece may pass; None: not by waiting."""
        if self.may_pass:
            return 0.0
        return -self.level / self.limit if self.limit else None


def piece(limit: float | None) -> int | None:
    """Bytes that pass at once, so that many may take turns; None: any number."""
    if limit is None:
        return None
    return max(SMALLEST_PIECE, min(LARGEST_PIECE, int(limit * PIECE_S)))
