"""Mails composed and put into the outbox, in one step with the memory that this was told.

Promises:
1. Letter and memory are one transaction: a kill leaves both or neither, so nothing is told twice or
   never.
2. A weekly report that another worker made meanwhile is not made again.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from backupkeeper.core.hours import WeekTime, next_week
from backupkeeper.core.mailing import (
    REPORT,
    WEEKLY_REPORT,
    Letter,
    LetterKind,
    LetterState,
    answered,
    replaced,
)
from backupkeeper.core.matters import Matter
from backupkeeper.core.model import Event, EventKind
from backupkeeper.core.overview import Overview
from backupkeeper.ports.catalog import Catalog
from backupkeeper.ports.clock import Clock, Entropy
from backupkeeper.report.mail import Envelope, Maker, Said, composed, fitting, message_id
from backupkeeper.report.mail_trial import trial
from backupkeeper.report.mail_urgent import several, urgent
from backupkeeper.report.mail_weekly import weekly

MANY: Final = 3
"""More urgent matters than this at once come in one letter."""
Make = Callable[[datetime | None, int], Said]
"""(when the one was made that this one replaces, rows a table) -> what it says."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Posted:
    """A letter that is in the outbox, and what it says."""

    letter: Letter
    said: Said


@dataclass(frozen=True, kw_only=True, slots=True)
class Mailbox:
    """Where mails are made. ``sender``: whose address their identities end with."""

    catalog: Catalog
    clock: Clock
    entropy: Entropy
    maker: Maker
    sender: str

    def post_urgent(
        self, matters: Sequence[Matter], *, next_at: datetime | None
    ) -> tuple[Posted, ...]:
        """Urgent matters, a letter for each (one for more than ``MANY``), remembered as told."""
        now = self.clock.now()
        told = [
            Event(at=now, kind=EventKind.TOLD, subject=matter.id, detail=matter.subject)
            for matter in matters
        ]
        with self.catalog.transaction():
            self.catalog.note(told)
            one_each = matters if len(matters) <= MANY else [several(matters)]
            return tuple(self._urgent(matter, now, next_at) for matter in one_each)

    def _urgent(self, matter: Matter, now: datetime, next_at: datetime | None) -> Posted:
        def make(replaces: datetime | None, most: int) -> Said:
            return urgent(matter, now, self.maker, next_at=next_at, replaces=replaces, most=most)

        return self._post(f"matter|{matter.id}", LetterKind.URGENT, make, now)

    def post_weekly(self, overview: Overview, week: WeekTime | None) -> Posted | None:
        """The weekly report; None: it was made meanwhile.

        Args:
            overview: how everything stands.
            week: when it is due.
        """
        now = self.clock.now()
        with self.catalog.transaction():
            last = self.catalog.latest(EventKind.RAN).get(WEEKLY_REPORT)
            if last and week and last.at <= now < next_week(week, last.at, self.maker.zone):
                return None
            ran = Event(at=now, kind=EventKind.RAN, subject=WEEKLY_REPORT)
            return self._post(REPORT, LetterKind.WEEKLY, self._report(overview), now, ran)

    def post_report(self, overview: Overview) -> Posted:
        """The same, asked for by hand."""
        now = self.clock.now()
        return self._post(REPORT, LetterKind.BY_HAND, self._report(overview), now)

    def draft_report(self, overview: Overview) -> tuple[Said, bytes]:
        """What would be sent now, and as what; nothing is put in."""
        now, make = self.clock.now(), self._report(overview)
        return fitting(lambda most: make(None, most), self._envelope(LetterKind.BY_HAND, now))

    def trial(self, next_at: datetime | None) -> bytes:
        """A short mail to see whether mails arrive; nothing is put in."""
        now = self.clock.now()
        return composed(
            trial(now, self.maker, next_at=next_at), self._envelope(LetterKind.BY_HAND, now)
        )

    def _report(self, overview: Overview) -> Make:
        return lambda replaces, most: weekly(overview, self.maker, replaces=replaces, most=most)

    def _envelope(self, kind: LetterKind, now: datetime) -> Envelope:
        ident = message_id(self.entropy.new_id(), self.sender)
        return Envelope(message_id=ident, at=now, kind=kind)

    def _post(
        self, thread: str, kind: LetterKind, make: Make, now: datetime, noted: Event | None = None
    ) -> Posted:
        with self.catalog.transaction():
            waits = replaced(self.catalog.letters(thread, LetterState.WAITING))
            answers = answered(self.catalog.letters(thread, LetterState.SENT), kind, now)
            ident = message_id(self.entropy.new_id(), self.sender)
            said, data = fitting(
                lambda most: make(waits.made_at if waits is not None else None, most),
                Envelope(message_id=ident, at=now, kind=kind, answered=answers),
            )
            letter = Letter(
                message_id=ident,
                kind=kind,
                thread=thread,
                root=answers.root or ident,
                subject=said.subject,
                made_at=now,
                next_at=now,
                message=data,
            )
            self.catalog.post(letter)
            if noted is not None:
                self.catalog.note([noted])
        return Posted(letter=letter, said=said)
