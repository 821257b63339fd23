"""When things are due by the calendar, and waking the loop for it. The only user of APScheduler.

Promises:
1. What was missed (the machine slept, the daemon did not run) is due once afterwards, not once for
   every time that was missed.
2. A clock that was set back makes nothing due twice.
3. Times are the person's: ten past eight stays that over a change of the clocks, and one that comes
   twice when they are set back is one.

What is due follows from ``core.hours`` alone, for any instant that is handed in; the scheduler only
wakes. (Its own triggers give a time that comes twice in autumn twice.) A scheduler's timers stand
still while a machine sleeps and may then ring late; the loop looks at the clock by itself every
minute too.
"""

from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime, tzinfo
from typing import Final

from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.date import DateTrigger

from backupkeeper.core.hours import WeekTime, Window, next_week
from backupkeeper.core.mailing import WEEKLY_REPORT

_ALARM: Final = "alarm"


class Timetable:
    """What the calendar says.

    Args:
        weekly: when the weekly report is due; None: never.
        windows: whose beginnings and ends the loop is woken for.
        tz: where the person is.
        wake: called, from a thread of the scheduler's, when a time has come.
    """

    def __init__(
        self,
        *,
        weekly: WeekTime | None,
        windows: tuple[Window, ...],
        tz: tzinfo,
        wake: Callable[[], None],
    ) -> None:
        self._tz = tz
        self._wake = wake
        self._weekly = weekly
        self._bells = [
            CronTrigger(hour=edge.hour, minute=edge.minute, timezone=tz)
            for window in windows
            for edge in (window.start, window.end)
        ]
        if weekly is not None:
            at = weekly.at
            self._bells.append(
                CronTrigger(day_of_week=weekly.weekday, hour=at.hour, minute=at.minute, timezone=tz)
            )
        self._scheduler: BackgroundScheduler | None = None

    def due(
        self, now: datetime, last_ran: Mapping[str, datetime], since: datetime
    ) -> tuple[str, ...]:
        """What is to be done now.

        Args:
            now: the present time.
            last_ran: when each was last done.
            since: when the daemon first ran: nothing before that was missed.
        """
        if self._weekly is None:
            return ()
        last = max(last_ran.get(WEEKLY_REPORT, since), since)
        if next_week(self._weekly, last, self._tz) > now:
            return ()
        return (WEEKLY_REPORT,)

    def next_due(self, now: datetime) -> datetime | None:
        """When the next thing will be due, for a sentence."""
        return None if self._weekly is None else next_week(self._weekly, now, self._tz)

    def start(self) -> None:
        """Begin to wake the loop."""
        scheduler = BackgroundScheduler(
            timezone=self._tz, job_defaults={"coalesce": True, "misfire_grace_time": None}
        )
        for number, trigger in enumerate(self._bells):
            scheduler.add_job(self._wake, trigger, id=f"bell {number}")
        scheduler.start()
        self._scheduler = scheduler

    def alarm(self, at: datetime | None) -> None:
        """Wake the loop at this time, and not at the one asked for before."""
        if self._scheduler is None:
            return
        if at is None:
            with suppress(JobLookupError):  # it rang already, maybe this very instant
                self._scheduler.remove_job(_ALARM)
            return
        self._scheduler.add_job(self._wake, DateTrigger(at), id=_ALARM, replace_existing=True)

    def stop(self) -> None:
        """Wake nobody any more."""
        if self._scheduler is not None:
            # Its thread dies of a job that rings as it is shut down: it can't find it to remove it.
            self._scheduler.remove_all_jobs()
            self._scheduler.shutdown(wait=False)
            self._scheduler = None
