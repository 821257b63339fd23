"""No faster than the person allows: what leaves for a bucket waits its turn here.

Promises:
1. Only bytes of request bodies on their way to the wire count (again where a request is sent again);
   what is read to sign or to hash does not. Headers and what comes back are not counted.
2. All requests of a process share one limit; another limit counts within ``LOOK_AGAIN_S``.
3. A body whose sending was stopped (its ``read`` raises) stops while it waits, too.

Needs no boto3 itself: ``Throttle.on`` hangs it into the events of a client.
"""

import io
import threading
from collections.abc import Callable
from datetime import datetime, tzinfo
from typing import Any, Final, Protocol

from backupkeeper.core.line import Line, LineRule, line_at
from backupkeeper.core.pacing import Pacing, piece
from backupkeeper.ports.clock import Clock

LOOK_AGAIN_S: Final = 0.2
"""Seconds after which a waiting body looks again whether it may go on, or was stopped."""
Law = Callable[[], float | None]
"""Bytes a second that may pass now; None: all, 0: none."""


class Source(Protocol):
    """What is sent: a file in memory."""

    def read(self, size: int = -1, /) -> bytes:
        """The next bytes."""
        ...

    def seek(self, offset: int, /) -> int:
        """Go to a byte."""
        ...


def _wait(seconds: float) -> None:
    threading.Event().wait(seconds)


class Throttle:
    """One line. Threads share it.

    Args:
        law: what may pass now; asked before every piece.
        seconds: a stopwatch.
        wait: waits so many seconds.
    """

    def __init__(
        self, law: Law, *, seconds: Callable[[], float], wait: Callable[[float], None] = _wait
    ) -> None:
        self._law = law
        self._seconds = seconds
        self._wait = wait
        self._lock = threading.Lock()
        self._pacing = Pacing(limit=law(), at_s=seconds())
        self._passed = 0

    @property
    def passed_bytes(self) -> int:
        """Bytes that passed so far."""
        return self._passed

    def most(self) -> int | None:
        """Bytes to be let through at once; None: any number."""
        return piece(self._law())

    def let_through(self, byte_count: int, still_wanted: Callable[[], object]) -> None:
        """Wait until so many bytes may pass.

        Args:
            byte_count: how many; no more than ``most`` said.
            still_wanted: called while it waits; what it raises ends the waiting.
        """
        while (seconds := self._try(byte_count)) > 0:
            still_wanted()
            self._wait(min(seconds, LOOK_AGAIN_S))

    def _try(self, byte_count: int) -> float:
        """Let it pass, or say how long to wait."""
        with self._lock:
            self._pacing = self._pacing.limited_to(self._law(), self._seconds())
            if not self._pacing.may_pass:
                wait_s = self._pacing.wait_s
                return LOOK_AGAIN_S if wait_s is None else max(wait_s, 0.001)
            self._pacing = self._pacing.taken(byte_count)
            self._passed += byte_count
            return 0.0

    def on(self, events: Any) -> None:  # noqa: ANN401 - botocore's emitter of events
        """Have the bodies of all requests of a client pass through here, as they are sent."""
        events.register("before-send.s3", self._before_send)

    def _before_send(self, request: Any, **_: object) -> None:  # noqa: ANN401 - AWSPreparedRequest
        """Called once for every request, when it is signed and about to be sent."""
        body = request.body
        if not body or "Content-Length" not in request.headers:
            return  # nothing to send, or nothing of ours
        if isinstance(body, str):
            body = body.encode()
        if isinstance(body, bytes | bytearray):
            body = io.BytesIO(body)
        request.body = PacedBody(body, self)


class PacedBody:
    """A body that is read, piece by piece, as fast as may pass."""

    def __init__(self, source: Source, throttle: Throttle) -> None:
        self._source = source
        self._throttle = throttle

    def read(self, size: int | None = -1, /) -> bytes:
        """The next bytes, no more than ``size``, once they may pass; empty at the end only."""
        most = self._throttle.most()
        wanted = -1 if size is None or size < 0 else size
        if most is not None:
            wanted = most if wanted < 0 else min(wanted, most)
        data = self._source.read(wanted)
        if data:
            self._throttle.let_through(len(data), self._still_wanted)
        return data

    def seek(self, offset: int, /) -> int:
        """Begin again: the request is sent again."""
        return self._source.seek(offset)

    def _still_wanted(self) -> None:
        self._source.read(0)


class ByTheClock:
    """The law of a person's rule at each instant. Threads may share it.

    Args:
        rule: what the person set.
        tz: where the person is.
        clock: tells the time.
    """

    def __init__(self, rule: LineRule, *, tz: tzinfo, clock: Clock) -> None:
        self._rule = rule
        self._tz = tz
        self._clock = clock
        self._known: tuple[datetime, Line] | None = None
        self.whole_line = False
        """No limit: the person said so."""

    def __call__(self) -> float | None:
        """Bytes a second. It is a person's own command that sends: windows don't stop it."""
        if self.whole_line:
            return None
        now, known = self._clock.now(), self._known
        if known is None or not _still_holds(now, *known):
            known = self._known = (now, line_at(now, self._rule, self._tz))
        return known[1].limit


def _still_holds(now: datetime, since: datetime, line: Line) -> bool:
    return since <= now and (line.changes_at is None or now < line.changes_at)
