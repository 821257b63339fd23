"""A device that gives no answer: told after a minute to who waits, and not waited for without end.

Promises:
1. Only what the system itself shows counts: a thread of ours in one single wait, woken not once.
2. After ``TELL_S`` it is told what gives no answer, once for each wait; after ``GIVE_UP_S`` the command ends
   with exit code 3, and holds no other drive any more.
3. Nothing is lost by it that a kill would not lose (promise 3 of the design): what is proven stays proven.

A thread that waits like this can't be ended by anybody: until its device answers, or is unplugged, the
system keeps the process.
"""

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

from backupkeeper.core.errors import NoAnswerError
from backupkeeper.core.waits import Waits
from backupkeeper.ports.waiting import Waiting
from backupkeeper.report.words import told

TELL_S: Final = 60.0
GIVE_UP_S: Final = 600.0
EVERY_S: Final = 5.0


class Patience:
    """Looks now and then whether this process is kept waiting.

    Args:
        waiting: tells which threads of a process wait for a device.
        seconds: a stopwatch.
        tell: takes a sentence for the person.
        give_up: called with the error that the command shall end with.
    """

    def __init__(
        self,
        waiting: Waiting,
        seconds: Callable[[], float],
        tell: Callable[[str], None],
        give_up: Callable[[NoAnswerError], None],
    ) -> None:
        self._waiting = waiting
        self._seconds = seconds
        self._tell = tell
        self._give_up = give_up
        self._waits = Waits()
        self._is_told = False

    def look(self) -> None:
        """Look once."""
        now = self._seconds()
        found = self._waiting(os.getpid())
        self._waits.look({n: (one.woken, one.path) for n, one in found.items()}, now)
        waited, path = self._waits.longest(now)
        if waited >= GIVE_UP_S:
            self._give_up(NoAnswerError(path, waited))
        elif waited >= TELL_S and not self._is_told:
            self._tell(
                f"No answer for a minute from what holds {told(path) or 'a file'}: it may be failing. "
                "Unplug it to end the wait; what is proven stays proven. Without an answer this "
                f"command gives up {GIVE_UP_S / 60:.0f} minutes after it asked."
            )
        self._is_told = waited >= TELL_S


@contextmanager
def patient(patience: Patience) -> Iterator[None]:
    """Look every few seconds for the time of the block, in a thread of its own."""
    over = threading.Event()

    def run() -> None:
        while not over.wait(EVERY_S):
            patience.look()

    thread = threading.Thread(target=run, name="patience", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
