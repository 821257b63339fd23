"""Deeds under way: sent out, held, stopped as the plan says, and what is known of each meanwhile."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import Deed, DeedKind, DriveHere, Plan, Running
from backupkeeper.core.estimate import Pace
from backupkeeper.core.line import share
from backupkeeper.core.model import PlaceId, RollId
from backupkeeper.daemon.aftermath import Stuck, stuck_on
from backupkeeper.daemon.crew import Crew, Ended, Moved
from backupkeeper.daemon.errand import Errand, Moving

MEASURED_S: Final = 600.0
"""So long a measurement of the line is."""


@dataclass(kw_only=True)
class Job:
    """One deed under way. ``at_s`` is when ``moving`` was heard, on the stopwatch."""

    deed: Deed
    since: datetime
    begun_s: float
    mounts: frozenset[str]
    """Tokens of the mounts that it works on."""
    asked_held: bool = False
    held_since: datetime | None = None
    stopping: bool = False
    stuck: Stuck | None = None
    """What did not answer, so that it is being stopped."""
    moving: Moving | None = None
    at_s: float = 0.0
    moved_bytes: int = 0
    """In all its stages."""
    line: float | None = None
    """How many bytes a second it was last told to send at most."""
    sent: tuple[int, float] = (0, 0.0)
    """Bytes that left for a bucket, and seconds of work, since they were last taken away."""
    measured: list[tuple[int, float, float | None]] = field(default_factory=list)
    """Bytes, seconds, limit: measurements that came to their end."""
    pace: Pace = field(default_factory=Pace)

    @property
    def is_sending(self) -> bool:
        """Whether its bytes leave for a bucket."""
        return self.deed.kind is DeedKind.UPLOAD and self.deed.source is not None

    def heard(self, moving: Moving, at_s: float) -> None:
        """Its worker told how far it is."""
        before = self.moving
        goes_on = before is not None and before.what == moving.what
        more = moving.bytes_done - before.bytes_done if before is not None and goes_on else 0
        self.moved_bytes += max(0, more)
        if before is not None and not before.held:
            count, seconds = self.sent
            gone = max(0, moving.sent_bytes - before.sent_bytes)
            self.sent = count + gone, seconds + at_s - self.at_s
            if self.is_sending:  # what was read from the drive is parts ahead of what has left
                self.pace = self.pace.after(gone, at_s - self.at_s)
            elif goes_on and more >= 0:
                self.pace = self.pace.after(more, at_s - self.at_s)
        self.moving, self.at_s = moving, at_s

    def cut(self) -> None:
        """Here a measurement ends: its limit becomes another, it was long enough, or all is over."""
        if self.sent[1] > 0:
            self.measured.append((*self.sent, self.line))
        self.sent = (0, 0.0)

    def running(self) -> Running:
        """As the planner sees it: held once the worker says so, not when it was asked."""
        held = self.asked_held and self.moving is not None and self.moving.held
        return Running(
            deed=self.deed,
            since=self.since,
            held=held,
            held_since=self.held_since if held else None,
            stopping=self.stopping,
        )


def measured_by(job: Job) -> Iterable[tuple[PlaceId, int, float, float | None]]:
    """What a job's measurements came to; they are taken away."""
    found, job.measured = job.measured, []
    if job.deed.kind is DeedKind.UPLOAD and job.deed.place is not None:
        for count, seconds, limit in found:
            yield job.deed.place, count, seconds, limit


@dataclass(frozen=True, kw_only=True, slots=True)
class Here:
    """What workers may rely on: the drives, tokens of all mounts that answered, and the line.

    ``line``: bytes a second that all uploads together may send; None: any number, 0: none for now.
    """

    drives: Mapping[PlaceId, DriveHere]
    tokens: tuple[str, ...]
    line: float | None = None


class Workbench:
    """Kept by the loop's own thread."""

    def __init__(self, crew: Crew, *, config: str, ahead: timedelta) -> None:
        self._crew = crew
        self.config = config
        """Text of the configuration that workers go by."""
        self._ahead = ahead
        self._jobs: dict[str, Job] = {}

    @property
    def jobs(self) -> Mapping[str, Job]:
        """By key of the deed."""
        return self._jobs

    def running(self) -> tuple[Running, ...]:
        """For the planner."""
        return tuple(job.running() for job in self._jobs.values())

    def carry_out(self, plan: Plan, here: Here, now: datetime, at_s: float) -> None:
        """Start, stop, hold and let go on, as the plan says."""
        for key in plan.stop:
            self.stop(key)
        for key, job in self._jobs.items():
            held = key in plan.hold
            if held != job.asked_held and not job.stopping:
                job.asked_held, job.held_since = held, now if held else None
                self._crew.hold(key, held=held)
        # A held upload counts too: what of it is on its way already goes on.
        known = [job.deed for job in self._jobs.values()]
        uploads = [one for one in (*known, *plan.start) if one.kind is DeedKind.UPLOAD]
        line = share(here.line, len({one.key for one in uploads}))
        for key, job in self._jobs.items():
            if job.deed.kind is DeedKind.UPLOAD and job.line != line and not job.stopping:
                job.cut()
                job.line = line
                self._crew.limit(key, line)
        for deed in plan.start:
            self._start(deed, here, now, at_s, line)

    def _start(
        self, deed: Deed, here: Here, now: datetime, at_s: float, line: float | None
    ) -> None:
        if deed.key in self._jobs:
            return
        mounts = {here.drives[place].token for place in deed.places if place in here.drives}
        if deed.card is not None:
            mounts.add(deed.card)
        self._jobs[deed.key] = Job(
            deed=deed, since=now, begun_s=at_s, at_s=at_s, mounts=frozenset(mounts), line=line
        )
        errand = Errand(
            deed=deed,
            mounts=here.tokens,
            config=self.config,
            ahead=self._ahead,
            # What else sends, a manifest perhaps, must not wait for hours that are not its own.
            line=line if deed.kind is DeedKind.UPLOAD or line else None,
        )
        self._crew.start(deed.key, errand)

    def stop(self, key: str) -> None:
        """Stop a deed; one that is not under way, or is being stopped, is left alone."""
        job = self._jobs.get(key)
        if job is not None and not job.stopping:
            job.stopping = True
            self._crew.stop(key)

    def stop_gone(self, is_here: Callable[[str], bool]) -> None:
        """Stop deeds whose mounts are gone: the system may keep them waiting for ever."""
        for key, job in self._jobs.items():
            if not all(is_here(token) for token in job.mounts):
                self.stop(key)

    def stop_stuck(self, stuck: Mapping[str, str], drives: Iterable[DriveHere]) -> list[str]:
        """Stop deeds that a device keeps waiting; the files of those that are stopped for it now.

        Args:
            stuck: key of the deed, and the file that its device does not answer about.
            drives: those that are here.
        """
        found = []
        for key, path in stuck.items():
            job = self._jobs.get(key)
            if job is not None and job.stuck is None:
                job.stuck = stuck_on(path, drives)
                self.stop(key)
                found.append(path)
        return found

    def heard(self, news: Moved, at_s: float) -> None:
        """A worker told how far it is."""
        job = self._jobs.get(news.key)
        if job is not None:
            job.heard(news.moving, at_s)
            if job.sent[1] >= MEASURED_S:
                job.cut()

    def ended(self, news: Ended) -> Job | None:
        """A worker came to its end; its job, unless it was none of ours."""
        job = self._jobs.pop(news.key, None)
        if job is not None:
            job.cut()
        return job

    def left(self) -> Mapping[tuple[PlaceId, RollId], int]:
        """Bytes that uploads under way have left of their roll, by bucket and roll."""
        found = {}
        for job in self._jobs.values():
            deed, moving = job.deed, job.moving
            if (
                job.is_sending
                and deed.place
                and deed.roll
                and moving is not None
                and moving.bytes_total
            ):
                done = min(1.0, moving.bytes_done / moving.bytes_total)
                found[deed.place, deed.roll] = round(deed.size_bytes * (1 - done))
        return found

    def measured(self) -> Iterable[tuple[PlaceId, int, float, float | None]]:
        """Measurements of uploads under way, each once: bucket, bytes, seconds, limit."""
        for job in self._jobs.values():
            yield from measured_by(job)
