"""What the loop has told to a person: matters as they arise, and the weekly word, each once.

Kept by the loop's own thread; what was told is in the catalog, so a restart tells nothing twice.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from typing import Final

from backupkeeper.actions.card_look import CardLook, what_to_type
from backupkeeper.actions.context import Context
from backupkeeper.core.deeds import Plan, View
from backupkeeper.core.hours import may_disturb
from backupkeeper.core.mailing import WEEKLY_REPORT
from backupkeeper.core.matters import Matter, Patience, due, matters
from backupkeeper.core.model import EventKind
from backupkeeper.daemon.errand import Finished
from backupkeeper.daemon.mailbox import Mailbox
from backupkeeper.daemon.memory import Memory
from backupkeeper.daemon.notes import Log
from backupkeeper.daemon.sights import SightKind
from backupkeeper.daemon.surroundings import Surroundings
from backupkeeper.daemon.telling import Teller, Told
from backupkeeper.daemon.timetable import Timetable

WEEKLY_KEY: Final = "make the weekly report"
"""Key of the worker that makes it."""


@dataclass(kw_only=True)
class Messages:
    """See above. ``make_weekly`` sends a worker to make the weekly word."""

    context: Context
    memory: Memory
    surroundings: Surroundings
    teller: Teller
    timetable: Timetable
    log: Log
    tz: tzinfo
    make_weekly: Callable[[], None]
    mailbox: Mailbox | None
    """None: there are no mails. What is urgent is told by one, and the weekly report."""
    on_posted: Callable[[], None]
    """A letter is in the outbox."""
    mailed: set[str] = field(default_factory=set)
    """Matters that count as told already, while other ways of telling are at it."""
    weekly: Matter | None = None
    weekly_asked: bool = False
    sink: frozenset[str] = frozenset()
    """Matters that are in the log already, for as long as they last."""

    def tell(self, view: View, made: Plan, now: datetime) -> None:
        """Tell what should be told now."""
        settings = self.context.config.notify
        found = list(
            matters(
                view,
                made,
                seen={
                    place: at for place, at in self.memory.seen().items() if place in view.places
                },
                patience=Patience(
                    away=timedelta(days=settings.away_days),
                    upload=timedelta(days=settings.upload_days),
                ),
                commands=self._commands(),
            )
        )
        found += self._twice() + self._bare()
        wanted = list(
            due(
                found,
                self.memory.told(),
                now,
                may_disturb=may_disturb(now, self.tz, settings.quiet),
            )
        )
        for matter in wanted:
            if matter.id not in self.sink:
                self.log.note(f"{matter.subject}. {matter.body}", urgent=matter.urgent)
        self.sink = frozenset(matter.id for matter in found)
        self._weekly(now)
        if self.weekly is not None:
            wanted.append(self.weekly)
        self._mail([matter for matter in wanted if matter.urgent], now)
        if self.teller.has_heralds:
            self.teller.tell(wanted)
        elif self.mailbox is None:
            for matter in wanted:  # it is in the log: there is no other way
                self._taken(matter)

    def _mail(self, urgent: Sequence[Matter], now: datetime) -> None:
        """Queued is told: the outbox loses nothing. Others are told too, whatever comes of it."""
        if self.mailbox is None or not urgent:
            return
        self.mailbox.post_urgent(urgent, next_at=self.timetable.next_due(now))
        self.mailed.update(matter.id for matter in urgent)
        self.on_posted()

    def _twice(self) -> list[Matter]:
        _, twice = self.surroundings.drives()
        return [
            Matter(id=f"twice|{said}", subject="A drive is here twice", body=said, urgent=True)
            for said in twice
        ]

    def _bare(self) -> list[Matter]:
        return [
            Matter(
                id=f"bare|{place}",
                subject="A drive is here without its marker",
                body=said,
                urgent=True,
            )
            for place, said in self.surroundings.bare().items()
        ]

    def _commands(self) -> Mapping[str, str]:
        commands = {}
        for sight in self.surroundings.sights.values():
            if sight.kind is SightKind.CARD:
                look = CardLook.from_json(sight.card)
                source = look.source or "NAME"
                commands[sight.token] = what_to_type(
                    sight.point, source, look.shoot or "YYMMDD Name"
                )
        return commands

    def _weekly(self, now: datetime) -> None:
        names = self.timetable.due(now, self.memory.last_ran(), self.memory.first_run(now))
        if WEEKLY_REPORT in names and self.weekly is None and not self.weekly_asked:
            self.weekly_asked = True
            self.make_weekly()

    def weekly_made(self, came: Finished | None) -> None:
        """The worker made it (or could not: it is asked for again at the next due look)."""
        self.weekly_asked = False
        if came is None or came.posted != (self.mailbox is not None):
            return  # made meanwhile, or by another configuration
        self.log.note(f"Weekly report: {came.said}.")
        made = Matter(id=WEEKLY_REPORT, subject=came.said, body=came.sight)
        if self.mailbox is None:
            self.weekly = made
            return
        self.mailed.add(made.id)
        self.teller.tell([made])
        self.on_posted()

    def told(self, told: Told) -> None:
        """A telling ended."""
        for failure in told.failures:
            self.log.note(f"{told.matter.subject}: {failure}", urgent=True)
        if told.matter.id in self.mailed:
            self.mailed.discard(told.matter.id)
        elif told.by:
            self._taken(told.matter)
        self.teller.settled(told.matter)

    def _taken(self, matter: Matter) -> None:
        if matter.id == WEEKLY_REPORT:
            self.memory.note(EventKind.RAN, WEEKLY_REPORT)
            self.weekly = None
        else:
            self.memory.note(EventKind.TOLD, matter.id, matter.subject)
