"""The gate before a store: as many requests pass at once as help (``core.crowding`` decides).

Promises:
1. Never more than ``allowed`` are past the gate at once; who waits passes as soon as another is back.
2. A round counts only where more wanted to pass than could, all the time: what the drive or the person holds back
   says nothing about the line.
3. Signs that it is too much are heeded once in ``COOL_S``: many of them come at once, from requests
   that left before the first one came back. What is met while nothing is past the gate (a bucket is
   tried with wrong requests, and stores hang up after those) is no such sign.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from botocore.awsrequest import AWSResponse

from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.errors import cause_of
from backupkeeper.core.crowding import after_round, after_too_much, beginning

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

ROUND_S: Final = 0.5
"""A round takes at least so many seconds,"""
ROUND_TIMES: Final = 2
"""and so many requests for each that is allowed at once."""
COOL_S: Final = 1.0
_TOO_MUCH: Final = frozenset({Cause.BUSY, Cause.TIMEOUT, Cause.CUT_OFF})
_TOO_MUCH_STATUS: Final = frozenset({429, 503, 504})


class Gate:
    """Threads share it.

    Args:
        most: how many may pass at once at the very most.
        start: how many to begin with.
        seconds: a stopwatch.
    """

    def __init__(self, most: int, *, start: int, seconds: Callable[[], float]) -> None:
        self._state = beginning(most, start)
        self._seconds = seconds
        self._changed = threading.Condition()
        self._past = 0
        self._waiting = 0
        self._begun: float | None = None
        self._done = 0
        self._work = 0
        self._cut_at: float | None = None

    @property
    def allowed(self) -> int:
        """How many may pass at once now."""
        return self._state.allowed

    @contextmanager
    def passing(self, work: int) -> Iterator[None]:
        """Do a request of so much work (in any unit) past the gate; waits for its turn before."""
        with self._changed:
            self._waiting += 1
            try:
                self._changed.wait_for(lambda: self._past < self._state.allowed)
            finally:
                self._waiting -= 1
            self._past += 1
        done = 0
        try:
            yield
            done = work
        finally:
            with self._changed:
                self._back(done)
                self._changed.notify_all()

    def _back(self, work: int) -> None:
        full = self._past + self._waiting > self._state.allowed
        self._past -= 1
        now = self._seconds()
        if not full or not work or self._begun is None:
            self._new_round(now if full else None)
            return
        self._done += 1
        self._work += work
        took = now - self._begun
        if self._done >= ROUND_TIMES * self._state.allowed and took >= ROUND_S:
            self._state = after_round(self._state, self._work / took)
            self._new_round(now)

    def _new_round(self, now: float | None) -> None:
        self._begun, self._done, self._work = now, 0, 0

    def too_much(self) -> None:
        """A sign that too many are on their way."""
        with self._changed:
            now = self._seconds()
            if self._cut_at is None or now - self._cut_at >= COOL_S:
                self._cut_at = now
                self._state = after_too_much(self._state)
                self._new_round(None)

    def watch(self, client: "S3Client", *operations: str) -> None:
        """Take what a client meets in these operations as signs, before it tries again by itself."""
        for operation in operations:
            client.meta.events.register(f"needs-retry.s3.{operation}", self._met)

    def _met(
        self,
        response: tuple[AWSResponse, object] | None = None,
        caught_exception: Exception | None = None,
        **_: object,
    ) -> None:
        with self._changed:
            if not self._past:
                return
        late = caught_exception is not None and cause_of(caught_exception) in _TOO_MUCH
        if late or (response is not None and response[0].status_code in _TOO_MUCH_STATUS):
            self.too_much()
