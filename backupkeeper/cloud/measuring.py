"""How far a store is: its clock, how long it takes to answer, how fast bytes go there and back."""

import hashlib
import io
from collections.abc import Callable
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime
from statistics import median
from typing import Any, Final

from backupkeeper.cloud.bodies import body_of
from backupkeeper.cloud.capabilities import Trial
from backupkeeper.cloud.checks import checks_of
from backupkeeper.ports.clock import Clock

LOOKS: Final = 5
SMALL_BYTES: Final = 256 * 1024
LARGE_BYTES: Final = 2 * 1024 * 1024
_QUICK_S: Final = 2.0
"""A line that takes longer for the small piece is not asked to carry the large one."""
_HALF_SECOND: Final = timedelta(seconds=0.5)
"""The header ``Date`` is cut to whole seconds."""


def skew_and_latency(trial: Trial, path: str, clock: Clock) -> tuple[float | None, float | None]:
    """How far our clock is before the store's, and how long a look takes, in seconds.

    Args:
        trial: Whose scratch object is looked at.
        path: The object.
        clock: Tells the time, and how long things take.

    Raises:
        BackupkeeperError: The store can't be reached.
    """
    took: list[float] = []
    skews: list[float] = []
    for _ in range(LOOKS):
        begun, before = clock.monotonic(), clock.now()
        with trial.store.asking(path):
            answer: dict[str, Any] = dict(trial.store.client.head_object(**trial.store.at(path)))
        seconds = clock.monotonic() - begun
        took.append(seconds)
        theirs = _date(answer)
        if theirs is not None:
            middle = before + timedelta(seconds=seconds / 2)
            skews.append((middle - theirs - _HALF_SECOND).total_seconds())
    return (median(skews) if skews else None), median(took)


def _date(answer: dict[str, Any]) -> datetime | None:
    headers = answer.get("ResponseMetadata", {}).get("HTTPHeaders", {})
    try:
        at = parsedate_to_datetime(str(headers.get("date")))
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    return at if at.tzinfo is not None else None


def rates(trial: Trial, path: str, clock: Clock) -> tuple[float | None, float | None]:
    """Bytes a second there and back, by one connection. Args and errors as above."""
    store = trial.store
    there = back = None
    for size in (SMALL_BYTES, LARGE_BYTES):
        data = hashlib.shake_256(b"backupkeeper").digest(size)
        checks = checks_of(data)

        def send(data: bytes = data, checks: dict[str, str] = checks) -> None:
            trial.put_body(path, io.BytesIO(data), **checks)

        def fetch() -> None:
            body_of(store.client, store.at(path))

        with store.asking(path):
            sent = _seconds(send, clock)
            came = _seconds(fetch, clock)
        there, back = _rate(size, sent), _rate(size, came)
        if sent + came > _QUICK_S:
            break
    return there, back


def _seconds(deed: Callable[[], None], clock: Clock) -> float:
    begun = clock.monotonic()
    deed()
    return clock.monotonic() - begun


def _rate(size: int, seconds: float) -> float | None:
    return size / seconds if seconds > 0 else None
