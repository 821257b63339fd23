"""Answers to what a command asks of the daemon: status, pause, resume, give way."""

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Any, Final

from backupkeeper.actions.arrivals import arrivals
from backupkeeper.actions.drilled import drill_sentence
from backupkeeper.actions.in_short import hurt_of, to_go
from backupkeeper.core.deeds import (
    CardHere,
    Deed,
    DeedKind,
    Plan,
    View,
)
from backupkeeper.core.estimate import Pace, left, pace_of
from backupkeeper.core.line import WAITS_FOR_HOURS, line_at
from backupkeeper.core.model import PlaceId, PlaceKind, Standing
from backupkeeper.core.patience import line_of, shut_of, until
from backupkeeper.core.status import (
    CardStatus,
    DeedStatus,
    DriveStatus,
    LineStatus,
    Status,
    WaitStatus,
)
from backupkeeper.core.wish import LONG_AGO
from backupkeeper.daemon.aftermath import title
from backupkeeper.daemon.control import Request
from backupkeeper.daemon.seeing import ASKED_FOR, Heard, Seeing
from backupkeeper.daemon.sights import SightKind
from backupkeeper.daemon.without import damage_words, quiet_notes
from backupkeeper.daemon.workbench import Job

MOST_WAITING: Final = 500
MOST_PAUSE: Final = timedelta(days=365)


@dataclass(kw_only=True)
class Answers:
    """Kept by the loop's own thread. ``encode`` makes JSON of a status (``report.status``)."""

    seeing: Seeing
    since: datetime
    encode: Callable[[Status], dict[str, Any]]
    page_at: Callable[[], tuple[str, str]] = lambda: ("", "")
    """Where the live page is served, and the file that leads there; '': nowhere, none."""

    def answer(
        self, request: Request, view: View | None, made: Plan, now: datetime
    ) -> dict[str, Any]:
        """What is said to a command."""
        told: dict[str, Any]
        match request.what:
            case "look":  # it does that anyway, having been asked
                told = {"looks": True}
            case "page":
                address, door = self.page_at()
                told = {"address": address, "door": door}
            case "status" if view is not None:
                told = {"status": self.encode(self.status(view, made, now))}
            case "pause":
                told = self._pause(request, now)
            case "resume":
                told = self._resume(request)
            case "judge" if view is not None:
                told = self._judge(request, view)
            case "give way" if view is not None:
                told = self._give_way(request, view, now)
            case _:
                told = {"error": "The daemon does not know what that means (yet)."}
        return told

    def _resume(self, request: Request) -> dict[str, Any]:
        self.seeing.seen.uploads_paused_until = None
        if not request.values.get("uploads"):
            self.seeing.seen.paused_until = None
        return {"paused": False}

    def _pause(self, request: Request, now: datetime) -> dict[str, Any]:
        seconds, span = request.values.get("seconds"), MOST_PAUSE
        if isinstance(seconds, int | float) and 0 < seconds < MOST_PAUSE.total_seconds():
            span = timedelta(seconds=seconds)
        if request.values.get("uploads"):
            self.seeing.seen.uploads_paused_until = now + span
        else:
            self.seeing.seen.paused_until = now + span
        return {"paused": True}

    def _give_way(self, request: Request, view: View, now: datetime) -> dict[str, Any]:
        """Keep a place free for a while: until the one that asked holds its lock."""
        names = request.values.get("places")
        wanted = {str(name) for name in names} if isinstance(names, list) else set()
        found = [place for place in view.places.values() if place.name in wanted]
        for place in found:
            said = f"a command asked for {place.name}"
            self.seeing.seen.asked_for[place.id] = (now + ASKED_FOR, said)
        return {"given": bool(found) or not view.running}

    def _judge(self, request: Request, view: View) -> dict[str, Any]:
        """A person asks whether a card may be wiped, or does not want to know it any more.

        The answer is in the status, when it is there.
        """
        token = str(request.values.get("card", ""))
        if not request.values.get("stop"):
            is_here = any(card.token == token for card in view.cards)
            if is_here:
                self.seeing.seen.asked.add(token)
            return {"asked": is_here}
        self.seeing.seen.asked.discard(token)
        jobs = self.seeing.workbench.jobs.items()
        keys = [key for key, job in jobs if job.deed.asked and job.deed.card == token]
        for key in keys:
            self.seeing.workbench.stop(key)
        return {"stopped": bool(keys)}

    # -- status

    def status(self, view: View, made: Plan, now: datetime) -> Status:
        """Everything that is so now."""
        rates = {
            subject: pace_of(moves) for subject, moves in self.seeing.memory.rates(now).items()
        }
        return Status(
            at=now,
            process=os.getpid(),
            since=self.since,
            paused_until=self.seeing.seen.paused_until if view.paused else None,
            may_upload=view.hours.may_upload,
            line=LineStatus(
                no_upload=view.hours.no_upload,
                limit_bytes_s=view.hours.upload_limit,
                changes_at=line_at(
                    now, self.seeing.context.config.upload.line, self.seeing.tz
                ).changes_at,
                is_metered=self.seeing.is_metered(),
                down=tuple(_down(view, self.seeing.tz)),
            ),
            proof_seconds=view.hours.proof_s,
            drives=tuple(self._drives(view)),
            cards=tuple(_card(card, self.seeing.seen.heard.get(card.token)) for card in view.cards),
            strangers=tuple(self._strangers()),
            under_way=tuple(_under_way(job, view) for job in self.seeing.workbench.jobs.values()),
            waiting=tuple(
                WaitStatus(
                    kind=one.deed.kind,
                    what=title(one.deed, view.places),
                    why=one.why,
                    size_bytes=one.deed.size_bytes,
                    seconds=_seconds(one.deed, rates),
                    person=one.person,
                    card=one.deed.card or "",
                )
                for one in made.waiting[:MOST_WAITING]
            ),
            failing=tuple(_failing(view)),
            damage=damage_words(hurt_of(view.needs), view.places),
            rolls_with_gaps=sum(bool(need.gaps) for need in view.needs),
            rolls=self.seeing.surveyor.rolls,
            bytes_to_go=sum(map(to_go, view.needs)),
            drill=drill_sentence(self.seeing.context),
            arrivals=arrivals(
                self.seeing.context,
                view.needs,
                self.seeing.tz,
                held=_held(view),
                left=self.seeing.workbench.left(),
            ),
            advice=self.seeing.shares.warnings(now),
            notes=quiet_notes(self.seeing.context, now),
        )

    def _drives(self, view: View) -> list[DriveStatus]:
        seen, without = self.seeing.memory.seen(), self.seeing.surroundings.bare()
        told = []
        for place in view.places.values():
            if place.kind is PlaceKind.BUCKET or place.standing is not Standing.ACTIVE:
                continue
            here = view.drives.get(place.id)
            told.append(
                DriveStatus(
                    name=place.name,
                    role=place.role.value,
                    point=here.point if here is not None else "",
                    free_bytes=here.free_bytes if here is not None else None,
                    last_seen=seen.get(place.id),
                    note=without.get(place.id) or view.lent.get(place.id, ""),
                    is_bare=place.id in without,
                )
            )
        return told

    def _strangers(self) -> list[str]:
        media = self.seeing.context.config.watch.media
        _, twice = self.seeing.surroundings.drives()
        told = list(twice)
        for sight in self.seeing.surroundings.sights.values():
            if sight.kind is SightKind.SILENT:
                told.append(f"{sight.point}: {sight.said}")
            elif sight.kind is SightKind.OTHER and (
                sight.place is not None
                or any(sight.point.startswith(f"{folder}/") for folder in media)
            ):
                told.append(f"{sight.point}: {sight.said or 'nothing of ours'}")
        return told


def _card(card: CardHere, heard: Heard | None) -> CardStatus:
    # A yes of before this daemon: what belongs to it in the same breath is not known any more.
    heard = heard or Heard(at=card.judged_at or LONG_AGO, may_wipe=card.may_wipe and None)
    is_heard = heard.may_wipe is not None or bool(heard.failure)
    return CardStatus(
        point=card.point,
        label=card.label,
        source=card.source,
        files=card.file_count,
        size_bytes=card.size_bytes,
        taken=card.taken,
        may_wipe=card.may_wipe,
        judged_at=card.judged_at,
        note="The last verdict was yes and does NOT hold any more."
        if card.withdrawn
        else card.trouble,
        token=card.token,
        asked=card.asked,
        # What it rested on may be gone since.
        heard=None if card.withdrawn else heard.may_wipe,
        heard_at=heard.at if is_heard else None,
        reasons=heard.reasons,
        failure=heard.failure,
    )


def _under_way(job: Job, view: View) -> DeedStatus:
    moving = job.moving
    pace = job.pace
    total = moving.bytes_total if moving is not None else job.deed.size_bytes
    done = moving.bytes_done if moving is not None else 0
    # Of an upload the range of all that is to go says more (``Status.arrivals``).
    time_left = None if job.is_sending else left(total - done, pace)
    running = job.running()
    return DeedStatus(
        kind=job.deed.kind,
        what=title(job.deed, view.places),
        why=job.deed.why,
        since=job.since,
        stage=moving.what if moving is not None else "",
        bytes_done=done,
        bytes_total=total,
        files_done=moving.files_done if moving is not None else 0,
        files_total=moving.files_total if moving is not None else job.deed.files,
        bytes_a_second=pace.bytes_a_second if pace.weight > 0 else None,
        seconds_left=time_left.total_seconds() if time_left is not None else None,
        path=moving.path if moving is not None else "",
        held=running.held,
        stopping=running.stopping,
        card=job.deed.card or "",
        proven_files=moving.proven_files if moving is not None else 0,
        against_files=moving.against_files if moving is not None else 0,
        against=moving.against if moving is not None else (),
    )


def _seconds(deed: Deed, rates: dict[str, Pace]) -> float | None:
    if deed.kind not in {DeedKind.MIRROR, DeedKind.UPLOAD, DeedKind.PROVE}:
        return None
    pace = rates.get(f"{deed.kind}|{deed.place}")
    time_left = left(deed.size_bytes, pace) if pace is not None else None
    return time_left.total_seconds() if time_left is not None else None


def _failing(view: View) -> list[str]:
    told = []
    for subject, setback in view.setbacks.items():
        if line_of(subject) is not None:
            continue
        name = shut_of(subject) or subject.partition("@")[0]
        place = next((one.name for one in view.places.values() if one.id == name), "A deed")
        at = until(setback, subject)
        when = f"tried again at {at.astimezone():%H:%M}" if at > view.now else "tried again now"
        times = "once" if setback.count == 1 else f"{setback.count} times"
        told.append(f"{place} failed {times}, {when}: {setback.message}")
    return told


def _held(view: View) -> str:
    """Why uploads don't go on, if that is not the hour, which passes."""
    if view.paused or view.hours.no_upload not in {"", WAITS_FOR_HOURS}:
        return view.hours.no_upload or "You asked for a pause."
    return "The line is down." if any(map(line_of, view.setbacks)) else ""


def _down(view: View, tz: tzinfo) -> Iterator[str]:
    """One sentence for each line that is down."""
    buckets = [one for one in view.places.values() if one.kind is PlaceKind.BUCKET]
    for subject, setback in view.setbacks.items():
        place = view.places.get(line_of(subject) or PlaceId(""))
        if place is None:
            continue
        to = f" to {place.name}" if len(buckets) > 1 else ""
        since = setback.first_at or setback.last_at
        days = (view.now.astimezone(tz).date() - since.astimezone(tz).date()).days
        when = (
            f"{since.astimezone(tz):%H:%M}" if not days else f"{since.astimezone(tz):%d %b %H:%M}"
        )
        at = max(until(setback, subject), view.now).astimezone(tz)
        yield f"The line{to} is down since {when}; next try {at:%H:%M}. {setback.message}"
