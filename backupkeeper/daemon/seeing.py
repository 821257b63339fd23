"""The view that a plan follows from, put together from facts, events and what is plugged in.

Nothing is decided here, and nothing is kept that a restart would lose, but for folders in which
something changed: after a restart every drive is looked at once instead.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, tzinfo
from typing import Final

from backupkeeper.actions.card_look import CardLook
from backupkeeper.actions.changes import touches
from backupkeeper.actions.context import Context
from backupkeeper.actions.offload import ROLL_NAMES
from backupkeeper.actions.survey import Surveyor
from backupkeeper.core.activity import SAMPLE_S, Activity, Sample
from backupkeeper.core.deeds import (
    CardHere,
    Changed,
    Deed,
    DeedKind,
    Hours,
    RollNeed,
    Strange,
    View,
)
from backupkeeper.core.hearing import refusals
from backupkeeper.core.hours import hours_at
from backupkeeper.core.line import Wishes, hindrance, line_at
from backupkeeper.core.model import Event, Place, PlaceId, Role, Standing
from backupkeeper.core.quiet import Quiet
from backupkeeper.daemon.errand import Failed, Finished
from backupkeeper.daemon.memory import Memory
from backupkeeper.daemon.shares import Shares
from backupkeeper.daemon.sights import Sight, SightKind
from backupkeeper.daemon.surroundings import Surroundings
from backupkeeper.daemon.workbench import Job, Workbench
from backupkeeper.drives.activity import bytes_passed, disk_of

_SHY: Final = frozenset({DeedKind.PROVE, DeedKind.UPLOAD})
"""Deeds that make way for the person's own work; they only read, and say how much."""
ASKED_FOR: Final = timedelta(seconds=20)
"""How long a place that a command asked for is kept free until the command takes it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Heard:
    """What a verdict said. ``failure``: why there is none; then ``may_wipe`` is None."""

    at: datetime
    may_wipe: bool | None = None
    reasons: tuple[str, ...] = ()
    failure: str = ""


@dataclass(kw_only=True)
class Seen:
    """What only the loop knows: changed and strange folders, places asked for, the person's wish."""

    quiet: Quiet
    changed: dict[PlaceId, tuple[str, ...]] = field(default_factory=dict)
    strange: dict[tuple[PlaceId, str], Strange] = field(default_factory=dict)
    asked_for: dict[PlaceId, tuple[datetime, str]] = field(default_factory=dict)
    busy: dict[str, str] = field(default_factory=dict)
    activity: Activity = field(default_factory=Activity)
    sampled_s: float = float("-inf")
    moved: dict[str, int] = field(default_factory=dict)
    """Bytes that ended deeds moved, by whole disk."""
    asked: set[str] = field(default_factory=set)
    """Cards (tokens) on which a person waits for a verdict."""
    heard: dict[str, Heard] = field(default_factory=dict)
    """The last verdict on each card (token), whole."""
    paused_until: datetime | None = None
    uploads_paused_until: datetime | None = None

    def forget_card(self, token: str) -> None:
        """It was taken out: what comes back under its token is another one."""
        self.asked.discard(token)
        self.heard.pop(token, None)

    def forget_place(self, place: PlaceId) -> None:
        """Its drive is gone."""
        self.quiet.forget(place)
        self.changed.pop(place, None)
        for key in [key for key in self.strange if key[0] == place]:
            del self.strange[key]

    def looked(self, place: PlaceId, folders: Sequence[str], strange: Iterable[Strange]) -> None:
        """Folders were looked at; what changed in others meanwhile stays."""
        left = [one for one in self.changed.get(place, ()) if one not in set(folders)]
        self.changed[place] = tuple(left)
        if not left:
            del self.changed[place]
        for key in [key for key in self.strange if key[0] == place and touches(key[1], folders)]:
            del self.strange[key]  # it may have been moved away, or belong to a roll by now
        for one in strange:
            self.strange[place, one.folder] = one

    def ripen(self, now: datetime) -> None:
        """Take over what has been quiet for long enough."""
        for one in self.quiet.ripe(now):
            known = self.changed.get(one.place, ())
            self.changed[one.place] = tuple(dict.fromkeys((*known, *one.folders)))


@dataclass(kw_only=True)
class Seeing:
    """Builds views; kept by the loop's own thread."""

    context: Context
    memory: Memory
    surroundings: Surroundings
    workbench: Workbench
    surveyor: Surveyor
    shares: Shares
    seen: Seen
    tz: tzinfo
    bytes_passed: Callable[[], Mapping[str, int]] = bytes_passed
    """Bytes that passed through each block device."""
    is_metered: Callable[[], bool | None] = lambda: None
    """Whether what is sent may cost money; None: not known."""
    can_picture: bool = False
    """Whether posters can be made: the library is there."""

    def view(self, now: datetime, own: frozenset[int]) -> View:
        """Everything as it is now.

        Args:
            now: the present time, UTC.
            own: process ids of the daemon and its workers: locks that these hold are no news.
        """
        config = self.context.config
        places = {place.id: place for place in self.context.catalog.places()}
        drives, _ = self.surroundings.drives()
        mounted = {place: drive.token for place, drive in drives.items()}
        self.seen.ripen(now)
        hours = self.hours(now)
        cutoffs = self.shares.cutoffs(now, drives) if hours.proof_s > 0 else {}
        needs = self.surveyor.survey(mounted, cutoffs)
        return View(
            now=now,
            places=places,
            drives=drives,
            cards=tuple(still_fit(card, needs, config.policy.wipe_needs) for card in self._cards()),
            needs=needs,
            unlisted=self.surveyor.unlisted(),
            changed=tuple(
                Changed(place=place, folders=folders)
                for place, folders in self.seen.changed.items()
                if place in drives
            ),
            strange=tuple(one for one in self.seen.strange.values() if one.place in drives),
            running=self.workbench.running(),
            setbacks=self.memory.setbacks(now),
            lent=self._lent(places, now, own),
            naming=self._naming(own),
            busy=dict(self.seen.busy),
            hours=hours,
            doubted=self.memory.doubted(drives),
            drill=self.shares.drill(now) if not self._drills() else None,
            unheard=self.memory.unheard(
                places.values(),
                drives,
                now,
                timedelta(minutes=config.catalog.snapshot_minutes),
            ),
            refused=refusals(self.memory.heard()),
            worn=self.shares.worn(now),
            pictureless=self.memory.pictureless() if self._makes_posters() else (),
            thinning_due=self.memory.thinning_due(now),
            auto_repair=config.proofs.auto_repair,
            paused=self.is_paused(now),
            wipe_needs=config.policy.wipe_needs,
        )

    def _makes_posters(self) -> bool:
        return self.can_picture and self.context.config.report.posters

    def look_at_activity(self, at_s: float) -> float | None:
        """Look whether somebody else works on a drive; seconds until the next look, if one is due.

        Only while a deed that should not disturb is under way, or has made way.
        """
        jobs = self.workbench.jobs.values()
        if not self.seen.busy and not any(job.deed.kind in _SHY for job in jobs):
            return None
        if at_s - self.seen.sampled_s < SAMPLE_S:
            return self.seen.sampled_s + SAMPLE_S - at_s
        self.seen.sampled_s = at_s
        ours: dict[str, int] = dict(self.seen.moved)
        unknown = set()
        for job in jobs:
            for disk in self._disks(job.deed):
                if job.deed.kind in _SHY:
                    ours[disk] = ours.get(disk, 0) + job.moved_bytes
                else:
                    unknown.add(disk)
        passed = self.bytes_passed()
        self.seen.activity.take(Sample(at_s=at_s, passed=passed, ours=ours, unknown=unknown))
        names = {
            disk_of(sight.block_device): sight.device
            for sight in self.surroundings.sights.values()
            if sight.block_device is not None
        }
        busy = self.seen.activity.busy
        self.seen.busy = {device: busy[name] for name, device in names.items() if name in busy}
        return SAMPLE_S

    def _disks(self, deed: Deed) -> set[str]:
        """Names of the whole disks that a deed uses."""
        tokens = {deed.card, *(self._token(place) for place in deed.places)}
        return {
            disk_of(sight.block_device)
            for sight in self.surroundings.sights.values()
            if sight.block_device is not None and sight.token in tokens
        }

    def _token(self, place: PlaceId) -> str | None:
        drive = self.surroundings.drives()[0].get(place)
        return drive.token if drive is not None else None

    def ended(self, job: Job) -> None:
        """What a deed that has ended moved still counts as ours."""
        if job.deed.kind in _SHY:
            for disk in self._disks(job.deed):
                self.seen.moved[disk] = self.seen.moved.get(disk, 0) + job.moved_bytes

    def finished(self, deed: Deed, came: Finished | Failed) -> None:
        """What the end of a deed changes here."""
        if deed.kind is DeedKind.JUDGE and deed.card is not None:
            self._judged(deed.card, came)
        if deed.kind is DeedKind.DRILL:
            self.shares.drill_ended()
        if isinstance(came, Failed) or deed.place is None:
            return
        self.surroundings.note_free(came.free)
        if deed.kind is DeedKind.ADOPT:
            self.seen.strange.pop((deed.place, deed.folder), None)
        if deed.kind is DeedKind.LOOK:
            self.seen.looked(deed.place, deed.folders, came.strange)

    def _drills(self) -> bool:
        """Whether a drill is under way: one at a time is enough."""
        return any(job.deed.kind is DeedKind.DRILL for job in self.workbench.jobs.values())

    def _judged(self, card: str, came: Finished | Failed) -> None:
        now = self.context.clock.now()
        self.seen.asked.discard(card)
        self.seen.heard[card] = (
            Heard(at=now, failure=came.message)
            if isinstance(came, Failed)
            else Heard(at=now, may_wipe=came.may_wipe, reasons=came.reasons)
        )

    def is_paused(self, now: datetime) -> bool:
        """Whether the person asked for peace."""
        until = self.seen.paused_until
        return until is not None and now < until

    def hours(self, now: datetime) -> Hours:
        """What the schedule allows."""
        config = self.context.config
        hours = hours_at(
            now,
            tz=self.tz,
            upload_windows=[one.window for one in config.upload.windows],
            proof_window=config.proofs.window,
            proof_budget_s=config.proofs.budget_s,
            used=self.memory.proof_time(now),
            away=self.memory.away(now),
        )
        line = line_at(now, config.upload.line, self.tz)
        wishes = Wishes(
            paused_until=self.seen.uploads_paused_until,
            is_metered=self.is_metered(),
            on_metered=config.upload.on_metered,
        )
        no_upload = hindrance(line, wishes, now)
        edges = [hours.changes_at, line.changes_at, wishes.paused_until]
        return replace(
            hours,
            may_upload=not no_upload,
            no_upload=no_upload,
            upload_limit=line.limit,
            changes_at=min((at for at in edges if at is not None and at > now), default=None),
        )

    def _cards(self) -> Iterable[CardHere]:
        taken, judged = self.memory.taken(), self.memory.judged()
        for sight in self.surroundings.sights.values():
            if sight.kind is SightKind.CARD:
                card = card_here(sight, taken, judged)
                heard = self.seen.heard.get(card.token)
                if heard is not None and heard.may_wipe:
                    card = replace(card, limits=heard.reasons)
                yield replace(card, asked=True) if card.token in self.seen.asked else card

    def _naming(self, own: frozenset[int]) -> str:
        holder = self.context.locks.holder(ROLL_NAMES)
        if holder is None or holder.process in own:
            return ""
        return f"process {holder.process} ({holder.doing})"

    def _lent(
        self, places: Mapping[PlaceId, Place], now: datetime, own: frozenset[int]
    ) -> dict[PlaceId, str]:
        lent = {}
        for asked, (until, said) in list(self.seen.asked_for.items()):
            if now < until:
                lent[asked] = said
            else:
                del self.seen.asked_for[asked]
        for place in places.values():
            if place.standing is not Standing.ACTIVE:
                continue
            holder = self.context.locks.holder(place.id)
            if holder is not None and holder.process not in own:
                lent[place.id] = f"process {holder.process} uses {place.name} ({holder.doing})"
        return lent


def still_fit(card: CardHere, needs: Iterable[RollNeed], asked: Iterable[Role]) -> CardHere:
    """A card whose yes is taken back where one of its rolls lacks a proof that the yes rested on."""
    lacks = any(
        need.roll.folder in card.folders and not set(asked).isdisjoint(need.gaps) for need in needs
    )
    if not card.may_wipe or not lacks:
        return card
    return replace(card, judged_at=None, may_wipe=None, withdrawn=True)


def card_here(
    sight: Sight, taken: Mapping[str, tuple[str, ...]], judged: Mapping[str, Event]
) -> CardHere:
    """A card as the planner sees it.

    A card of which every file looks known (by path and size) counts as taken: the verdict reads it
    whole and says no where that was wrong, and then it is offloaded.
    """
    look = CardLook.from_json(sight.card)
    last = judged.get(sight.token)
    verdict = last if last is not None and last.detail in {"yes", "no"} else None
    looks_known = look.file_count > 0 and look.new_files == 0 and bool(look.folders)
    refused = verdict is not None and verdict.detail != "yes" and sight.token not in taken
    return CardHere(
        token=sight.token,
        point=sight.point,
        device=sight.device,
        label=sight.label,
        source=look.source,
        auto_offload=look.auto_offload,
        shoot=look.shoot,
        size_bytes=look.size_bytes,
        file_count=look.file_count,
        trouble=look.trouble,
        warnings=look.warnings,
        taken=sight.token in taken or (looks_known and not refused),
        folders=taken.get(sight.token, look.folders),
        judged_at=verdict.at if verdict is not None else None,
        may_wipe=verdict.detail == "yes" if verdict is not None else None,
    )
