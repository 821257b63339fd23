"""What it means that the system keeps a thread waiting for a device."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Wait:
    """One thread in a wait that nothing can interrupt.

    ``woken``: how often it has gone to sleep so far: the same number means the very same wait. ``path``: the
    file that its call is about; "" where that is not known.
    """

    woken: int
    path: str


Waiting = Callable[[int], Mapping[int, Wait]]
"""The threads of a process that wait for a device now, by their number."""
