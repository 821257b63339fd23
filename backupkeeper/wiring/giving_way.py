"""A command that needs a place on which the daemon works: the daemon is asked to let it go."""

import threading
from collections.abc import Callable
from typing import Final, TypeVar

from backupkeeper.core.errors import PlaceHeldError
from backupkeeper.ports.clock import Clock

WAIT_S: Final = 15.0
"""How long a command waits for a place that the daemon was asked to let go."""
BETWEEN_TRIES_S: Final = 0.2
_T = TypeVar("_T")


def giving_way(deed: Callable[[], _T], clock: Clock, ask_for: Callable[[str], bool]) -> _T:
    """Do it; where a daemon holds a place, ask it to let go and try again for a while.

    Each place is asked for once. All in all it waits ``WAIT_S`` from the first refusal on.

    Args:
        deed: what is to be done; raises ``PlaceHeldError`` where a place is in use.
        clock: a stopwatch.
        ask_for: asks a running daemon to let go of a place; whether it heard.
    """
    asked = set[str]()
    until: float | None = None
    while True:
        try:
            return deed()
        except PlaceHeldError as held:
            now = clock.monotonic()
            until = now + WAIT_S if until is None else until
            if held.process is None or now >= until:
                raise
            if held.called not in asked:
                asked.add(held.called)
                if not ask_for(held.called):
                    raise
        threading.Event().wait(BETWEEN_TRIES_S)
