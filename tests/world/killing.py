"""A port that breaks, or kills the program, at the nth call.

Example:
    faults = Faults.around(disk, at=12, then=OSError(errno.EIO, "broken"))
    with pytest.raises(...):
        work(faults.port)
"""

import threading
from collections.abc import Callable
from typing import Any, Generic, TypeVar, cast

Port = TypeVar("Port")


class Killed(BaseException):
    """The program was killed: after it every further call dies too, so nothing can tidy up."""


class Faults(Generic[Port]):
    """Counts the calls of a port; the one numbered ``at`` (from 1) fails.

    Args:
        inner: the port.
        at: which call; 0 for none, just counting.
        then: the error to raise once; ``Killed`` kills, and all calls after it die too.
        before: the call is not made at all; else it is made, and only then it fails.
        only: names of the calls that count; empty for all.
        times: so many calls from ``at`` on fail.
    """

    def __init__(
        self,
        inner: Port,
        *,
        at: int,
        then: BaseException,
        before: bool,
        only: frozenset[str],
        times: int,
    ) -> None:
        self._inner = inner
        self._hits = range(at, at + times) if at else range(0)
        self._then = then
        self._before = before
        self._only = only
        # One call at a time: the made-up disk is no match for threads; a real one is.
        self._lock = threading.Lock()
        self._dead = False
        self.calls: list[str] = []

    @classmethod
    def around(
        cls,
        inner: Port,
        *,
        at: int = 0,
        then: BaseException | None = None,
        before: bool = True,
        only: frozenset[str] = frozenset(),
        times: int = 1,
    ) -> "Faults[Port]":
        """Wrap a port; without ``at`` it only counts."""
        return cls(inner, at=at, then=then or Killed(), before=before, only=only, times=times)

    @property
    def port(self) -> Port:
        """The port to hand on."""
        return cast("Port", self)

    def __getattr__(self, name: str) -> Callable[..., Any]:
        call = getattr(self._inner, name)

        def guarded(*args: Any, **named: Any) -> Any:
            with self._lock:
                if self._dead:
                    raise Killed
                hit = self._count(name)
                if hit and self._before:
                    raise self._then
                answer = call(*args, **named)
                if hit:
                    raise self._then
                return answer

        return guarded

    def _count(self, name: str) -> bool:
        if self._only and name not in self._only:
            return False
        self.calls.append(name)
        hit = len(self.calls) in self._hits
        self._dead = hit and isinstance(self._then, Killed)
        return hit
