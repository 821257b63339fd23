"""The loop: facts, what is plugged in, the policy and now make a plan; workers carry it out; again.

Level-triggered: an event (a mount, a worker's word, a timer, a signal, a request) only wakes it. What
it does next follows from what is so, never from what happened, so nothing is lost in a restart.

Promises:
1. The loop itself never touches a medium: looks and deeds are done by workers.
2. A stop ends it within five seconds; a new configuration that can't be used leaves the old one.
3. One failed deed is a remembered failure, not the end of the daemon.
"""

import os
import queue
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import Enum
from typing import Final

from backupkeeper.actions.room import note_room
from backupkeeper.core.deeds import Plan, View
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.line import CLOSED
from backupkeeper.core.model import EventKind
from backupkeeper.core.planner import plan
from backupkeeper.daemon.aftermath import Around, aftermath, title
from backupkeeper.daemon.answers import Answers
from backupkeeper.daemon.control import Request
from backupkeeper.daemon.crew import Crew, Ended, Moved, News
from backupkeeper.daemon.errand import Errand, Failed, Finished
from backupkeeper.daemon.memory import Memory
from backupkeeper.daemon.messages import WEEKLY_KEY, Messages
from backupkeeper.daemon.notes import Log
from backupkeeper.daemon.seeing import Seeing
from backupkeeper.daemon.sights import SightKind
from backupkeeper.daemon.surroundings import PREFIX, Surroundings
from backupkeeper.daemon.telling import Told
from backupkeeper.daemon.workbench import Here, Workbench, measured_by
from backupkeeper.ports.watch import TreeWatch

TICK_S: Final = 60.0
"""The longest sleep: timers stand still while a machine sleeps, the wall clock does not."""
SOON_S: Final = 0.05
LENT_S: Final = 2.0
"""How often it is looked whether another program has let a place go."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Touched:
    """A path changed on a drive (from the tree watch)."""

    root: str
    path: str


class Order(Enum):
    """What the loop is told to do, from any thread."""

    LOOK = "look"
    """Something may be different: a mount, a time."""
    RELOAD = "reload"
    """The configuration shall be read anew."""
    STOP = "stop"
    """The daemon shall end."""


Letter = News | Touched | Order | Request | Told


@dataclass(kw_only=True)
class Loop:
    """One daemon. ``inbox`` takes letters from any thread; all else is the loop's own thread's."""

    seeing: Seeing
    memory: Memory
    surroundings: Surroundings
    workbench: Workbench
    crew: Crew
    tree_watch: TreeWatch
    messages: Messages
    answers: Answers
    log: Log
    inbox: "queue.SimpleQueue[Letter]"
    ahead: timedelta = timedelta(0)
    on_plan: Callable[[View, Plan], None] = lambda _view, _plan: None
    """Told of every plan: systemd's watchdog and status line hang on it."""
    reload: Callable[[], None] = lambda: None
    ended: bool = False
    rolls_seen: int = -1
    view: View | None = None
    last_plan: Plan = field(default_factory=Plan)

    def run(self) -> None:
        """Go on until it is told to stop."""
        try:
            while not self.ended:
                self.step()
                if not self.ended:
                    self._wait()
        finally:
            self.crew.end()
            self._take_ends()

    def step(self) -> None:
        """Look, plan, have it done; returns at once."""
        now = self._now()
        self.memory.tick(now)
        self._look_around(now)
        view = self.seeing.view(now, self.crew.processes() | {os.getpid()})
        made = plan(view)
        self.view, self.last_plan = view, made
        self._tell_changes(view, made)
        is_open = view.hours.may_upload and not view.paused
        here = Here(
            drives=view.drives,
            tokens=self.surroundings.tokens,
            line=view.hours.upload_limit if is_open else CLOSED,
        )
        self.workbench.carry_out(made, here, now, self._seconds())
        self.messages.tell(view, made, now)
        self.on_plan(view, made)

    def _wait(self) -> None:
        """Sleep until something may be different; take in all letters that are there."""
        ends_s = self._seconds() + self._sleep_s()
        letter = self._next_letter(ends_s - self._seconds())
        while letter is not None:
            # What was touched changes no plan until it was left alone for a while.
            quiet = isinstance(letter, Touched) or (
                isinstance(letter, Moved) and not self._changes_plan(letter)
            )
            self._take_in(letter)
            # Never longer than was meant at first: a worker tells how far it is for hours on end.
            left_s = min(self._sleep_s(), ends_s - self._seconds())
            letter = self._next_letter(left_s if quiet and not self.ended else 0.0)

    def _next_letter(self, seconds: float) -> Letter | None:
        try:
            return self.inbox.get(timeout=seconds) if seconds > 0 else self.inbox.get_nowait()
        except queue.Empty:
            return None

    def _sleep_s(self) -> float:
        now = self._now()
        edges = (
            self.last_plan.wake_at,
            self.seeing.seen.quiet.next_at(),
            self.seeing.surveyor.edge,
        )
        moments: list[float | None] = [
            TICK_S,
            self.crew.tend(),
            self.surroundings.tend(),
            self.seeing.look_at_activity(self._seconds()),
        ]
        moments += [max(SOON_S, (at - now).total_seconds()) for at in edges if at is not None]
        if self.view is not None and (self.view.lent or self.view.naming):
            moments.append(LENT_S)
        return min(moment for moment in moments if moment is not None)

    # -- letters

    def _take_in(self, letter: Letter) -> None:
        match letter:
            case Moved():
                self.workbench.heard(letter, self._seconds())
                self.memory.measured(self.workbench.measured(), self._now())
            case Ended():
                self._worker_ended(letter)
            case Touched():
                self._touched(letter)
            case Told():
                self.messages.told(letter)
            case Order():
                self._obey(letter)
            case Request():
                made = self.last_plan
                letter.answer(self.answers.answer(letter, self.view, made, self._now()))

    def _obey(self, order: Order) -> None:
        match order:
            case Order.LOOK:
                pass  # it does that anyway, having been woken
            case Order.RELOAD:
                self.reload()
            case Order.STOP:
                self.ended = True

    def _worker_ended(self, ended: Ended) -> None:
        if ended.key.startswith(PREFIX):
            self._seen_something(ended)
        elif ended.key == WEEKLY_KEY:
            came = ended.came
            self.messages.weekly_made(came if isinstance(came, Finished) else None)
        else:
            self._deed_ended(ended)

    def _changes_plan(self, moved: Moved) -> bool:
        """Whether a worker's word is more than progress: it began to wait, or goes on."""
        job = self.workbench.jobs.get(moved.key)
        before = job.moving.held if job is not None and job.moving is not None else False
        return moved.moving.held != before

    def _deed_ended(self, ended: Ended) -> None:
        job = self.workbench.ended(ended)
        if job is None or self.view is None:
            return
        now = self._now()
        after = aftermath(
            job.deed,
            ended.came,
            Around(
                places=self.view.places,
                drives=self.view.drives,
                is_gone=not all(self.surroundings.is_here(token) for token in job.mounts),
                was_asked_to_stop=job.stopping,
                stuck=job.stuck,
            ),
        )
        self.seeing.ended(job)
        self.memory.remember(after, now)
        self.memory.measured(measured_by(job), now)
        self.seeing.finished(job.deed, ended.came)
        took = ended.came.seconds if isinstance(ended.came, Finished) else 0.0
        count = ended.came.size_bytes if isinstance(ended.came, Finished) else 0
        self.log.note(
            after.said,
            urgent=after.is_trouble,
            deed=job.deed.key,
            bytes=count,
            seconds=round(took, 3),
            error=ended.came.error if isinstance(ended.came, Failed) else "",
        )

    def _seen_something(self, ended: Ended) -> None:
        name = self.surroundings.heard(ended)
        if name is None:
            return
        sight = self.surroundings.sights[name]
        if sight.kind is SightKind.PLACE and sight.place is not None:
            self.memory.note(EventKind.SEEN, sight.place, sight.token)
            note_room(self.seeing.context, {sight.place: sight.free_bytes})
            self.seeing.seen.changed[sight.place] = ("",)
            self.tree_watch.watch(sight.point, self._on_path(sight.point))
        if sight.kind is not SightKind.OTHER or sight.said:
            told = _sighted(sight.kind, sight.label, sight.point, sight.said)
            self.log.note(told, point=sight.point)

    def _on_path(self, root: str) -> Callable[[str], None]:
        return lambda path: self.inbox.put(Touched(root=root, path=path))

    def _touched(self, letter: Touched) -> None:
        for sight in self.surroundings.sights.values():
            if sight.place is not None and sight.point == letter.root:
                inner = letter.path.removeprefix(letter.root.rstrip("/")).lstrip("/")
                self.seeing.seen.quiet.touched(sight.place, inner, self._now())

    # -- looking

    def _look_around(self, now: datetime) -> None:
        try:
            mounts = self.seeing.context.mounts.current()
        except BackupkeeperError as error:
            self.log.note(f"What is mounted can't be seen: {error.message}", urgent=True)
            return
        places = self.seeing.context.catalog.places()
        before = dict(self.surroundings.sights)
        gone = self.surroundings.notice(mounts, places, now)
        for name in gone:
            sight = before[name]
            self.tree_watch.unwatch(sight.point)
            if sight.place is not None:
                self.seeing.seen.forget_place(sight.place)
                self.memory.note(EventKind.SEEN, sight.place, "gone")
            if sight.kind is SightKind.CARD:
                self.memory.card_gone(sight.token)
                self.seeing.seen.forget_card(sight.token)
            if sight.kind is not SightKind.OTHER or sight.said:
                self.log.note(f"{sight.label or sight.point} is gone.", point=sight.point)
        self.workbench.stop_gone(self.surroundings.is_here)
        drives = self.view.drives.values() if self.view is not None else ()
        for path in self.workbench.stop_stuck(self.crew.stuck(), drives):
            self.surroundings.gave_no_answer(path, now)
        self._look_at_cards_again(now)

    def _look_at_cards_again(self, now: datetime) -> None:
        """A roll was sealed since: what was new on a card may be known now, by whosever hand."""
        cards = [
            name for name, sight in self.surroundings.sights.items() if sight.kind is SightKind.CARD
        ]
        if not cards:
            return
        rolls = len(self.seeing.context.catalog.rolls())
        if rolls != self.rolls_seen:
            self.rolls_seen = rolls
            self.surroundings.look_again(cards, now)

    def send_to_look(self, key: str, point: str) -> None:
        """Send a worker to look at a mount."""
        self.crew.start(key, Errand(point=point, config=self.workbench.config, ahead=self.ahead))

    def make_weekly(self) -> None:
        """Send a worker to make the weekly report."""
        errand = Errand(weekly=True, config=self.workbench.config, ahead=self.ahead)
        self.crew.start(WEEKLY_KEY, errand)

    # -- telling

    def _tell_changes(self, view: View, made: Plan) -> None:
        for deed in made.start:
            self.log.note(
                f"{title(deed, view.places)} begins: {deed.why}",
                deed=deed.key,
                bytes=deed.size_bytes,
                files=deed.files,
            )
        for key in made.stop:
            job = self.workbench.jobs.get(key)
            if job is not None and not job.stopping:
                said = f"{title(job.deed, view.places)} makes way for something more urgent."
                self.log.note(said, deed=key)

    def _take_ends(self) -> None:
        """What workers said while they were ended."""
        letter = self._next_letter(0.0)
        while letter is not None:
            if isinstance(letter, Ended):
                self._take_in(letter)
            letter = self._next_letter(0.0)

    def _now(self) -> datetime:
        return self.seeing.context.clock.now()

    def _seconds(self) -> float:
        return self.seeing.context.clock.monotonic()


def _sighted(kind: SightKind, label: str, point: str, said: str) -> str:
    match kind:
        case SightKind.PLACE:
            return f"{label} is here, at {point}."
        case SightKind.CARD:
            return f"A card is here, {label}, at {point}."
        case SightKind.OTHER | SightKind.BARE:
            return said
        case SightKind.SILENT:
            return f"{point} gives no answer. {said}".strip()
