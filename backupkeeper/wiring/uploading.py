"""Uploading by hand: when all will be there is told first, and how fast it went is remembered."""

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from tzlocal import get_localzone

from backupkeeper.actions.arrivals import arrivals, measuring
from backupkeeper.actions.context import Context
from backupkeeper.actions.survey import survey
from backupkeeper.cloud.throttle import ByTheClock, Throttle
from backupkeeper.core.line import LineRule
from backupkeeper.ports.progress import Progress
from backupkeeper.report.arrivals import arrival_text

_T = TypeVar("_T")


class LineByHand:
    """The line of a person's own command. Windows don't stop it, their limits hold.

    Args:
        context: the world.
        law: what may pass by the clock.
        throttle: what is sent passes through it.
    """

    def __init__(self, context: Context, law: ByTheClock, throttle: Throttle) -> None:
        self._context = context
        self._law = law
        self._throttle = throttle

    def uploading(self, deed: Callable[[], _T], *, now: bool, progress: Progress) -> _T:
        """Do it; ``now``: with the whole line, whatever its limit."""
        self._law.whole_line = now
        rule = LineRule() if now else replace(self._context.config.upload.line, always=True)
        at, tz = self._context.clock.now(), get_localzone()
        for one in arrivals(self._context, survey(self._context, {}), tz, rule=rule):
            progress.note(arrival_text(one, at, tz))
        with measuring(self._context, lambda: self._throttle.passed_bytes, self._law):
            return deed()
