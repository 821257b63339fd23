"""Telling what matters, once, in a thread of its own: heralds may take seconds.

Promises:
1. The loop never waits for a herald.
2. What no herald took is not remembered as told, so it comes up again; a herald that failed is left
   alone for five minutes.
3. What was taken is remembered durably by the loop's thread, through ``on_told``; until it says so
   (``settled``), the matter counts as being told.
"""

import queue
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from backupkeeper.core.matters import Matter
from backupkeeper.ports.telling import Herald

PATIENCE_S: Final = 300.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """How the telling of one matter ended. ``by`` are the heralds that took it."""

    matter: Matter
    by: tuple[str, ...]
    failures: tuple[str, ...]


class Teller:
    """Tells matters one after another.

    Args:
        heralds: all of them are tried for each matter.
        on_told: called from the teller's thread with the end of each telling.
        seconds: a stopwatch.
    """

    def __init__(
        self,
        heralds: Sequence[Herald],
        on_told: Callable[[Told], None],
        *,
        seconds: Callable[[], float],
    ) -> None:
        self._heralds = tuple(heralds)
        self._on_told = on_told
        self._seconds = seconds
        self._failed_at: dict[str, float] = {}
        self._under_way: set[str] = set()
        self._lock = threading.Lock()
        self._queue: queue.SimpleQueue[Matter | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    @property
    def has_heralds(self) -> bool:
        """Whether there is any way of telling a person."""
        return bool(self._heralds)

    def start(self) -> None:
        """Begin."""
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End within two seconds; a herald that takes longer is left behind."""
        self._queue.put(None)
        if self._thread is not None:
            self._thread.join(2.0)
            self._thread = None

    def tell(self, matters: Iterable[Matter]) -> None:
        """Have these told; one that is being told, and not settled since, is not told again."""
        for matter in matters:
            with self._lock:
                if matter.id in self._under_way or not self._able():
                    continue
                self._under_way.add(matter.id)
            self._queue.put(matter)

    def settled(self, matter: Matter) -> None:
        """The end of its telling was taken in: if it comes up again now, it is to be told again."""
        with self._lock:
            self._under_way.discard(matter.id)

    def _able(self) -> list[Herald]:
        """The heralds without those that failed a short while ago."""
        now = self._seconds()
        return [
            herald
            for herald in self._heralds
            if now - self._failed_at.get(herald.name, float("-inf")) >= PATIENCE_S
        ]

    def _run(self) -> None:
        while (matter := self._queue.get()) is not None:
            self._on_told(self._told(matter))

    def _told(self, matter: Matter) -> Told:
        took, failures = [], []
        with self._lock:
            heralds = self._able()
        for herald in heralds:
            why_not = herald.tell(subject=matter.subject, body=matter.body, urgent=matter.urgent)
            with self._lock:
                if why_not is None:
                    took.append(herald.name)
                    self._failed_at.pop(herald.name, None)
                else:
                    failures.append(why_not)
                    self._failed_at[herald.name] = self._seconds()
        return Told(matter=matter, by=tuple(took), failures=tuple(failures))
