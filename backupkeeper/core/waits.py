"""How long a thread has been in one and the same wait for a device."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(kw_only=True)
class Waits:
    """What was seen of a process's threads, look by look."""

    seen: dict[int, tuple[int, str, float]] = field(default_factory=dict)
    """Thread -> how often it had gone to sleep, on which file, and since when it is known to wait."""

    def look(self, found: Mapping[int, tuple[int, str]], now_s: float) -> None:
        """Take in one look.

        Args:
            found: threads that wait now: how often each has gone to sleep so far, and its file.
            now_s: on a stopwatch, in seconds.
        """
        before = self.seen
        self.seen = {}
        for thread, (woken, path) in found.items():
            known = before.get(thread)
            same = known is not None and known[0] == woken
            self.seen[thread] = (woken, path, known[2] if same and known is not None else now_s)

    def longest(self, now_s: float) -> tuple[float, str]:
        """Seconds of the longest wait, and its file; 0 where nobody waits."""
        waits = ((now_s - since, path) for _, path, since in self.seen.values())
        return max(waits, default=(0.0, ""))
