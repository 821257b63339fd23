"""Mails that wait for the line: when each is tried again, what a newer one replaces, whom it answers. Pure.

Promises:
1. A letter that was made is sent, or is replaced by a newer one about the same, or was refused for
   what it is so often that a person must see to it; it is never just dropped.
2. Waits grow to a bound; what is nobody's fault is tried at least every ``LINE_WAITS[-1]``.
3. An identity is given once: however often a letter is tried, its Message-ID stays the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from backupkeeper.core.overview import Overview

WEEKLY_REPORT: Final = "weekly report"
"""What it is called on the timetable, and in the memory of when it was made."""
REPORT: Final = "report"
"""The thread of all reports: weekly ones and those that are asked for by hand."""
THREAD_LASTS: Final = timedelta(days=14)
"""A matter that comes up again after so long without a word begins a thread of its own."""
KEPT: Final = timedelta(days=90)
"""For so long it is remembered what was sent (not its text)."""
MOST_BYTES: Final = 1_000_000
"""No mail is larger."""


class LetterKind(StrEnum):
    """What a letter is."""

    WEEKLY = "weekly"
    URGENT = "urgent"
    BY_HAND = "by hand"


class LetterState(StrEnum):
    """What became of it."""

    WAITING = "waiting"
    SENT = "sent"
    """The server took it."""
    REPLACED = "replaced"
    """A newer one about the same came before it could be sent."""
    REFUSED = "refused"
    """The server refused this very letter, and would ever again."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Letter:
    """One mail. ``thread``: what it is about; ``root``: the Message-ID of the first of its thread.

    ``message``: all of it but who it is from and to, as it goes over the line; empty once it ended.
    ``said``: why the last try failed.
    """

    message_id: str
    kind: LetterKind
    thread: str
    root: str
    subject: str
    made_at: datetime
    next_at: datetime
    message: bytes = field(repr=False)
    state: LetterState = LetterState.WAITING
    tries: int = 0
    said: str = ""
    ended_at: datetime | None = None


class Stage(StrEnum):
    """The way of a mail to the server, step by step."""

    PASSWORD = "password"  # noqa: S105 - the step, not one
    NAME = "name"
    CONNECT = "connect"
    TLS = "tls"
    SIGN_IN = "sign in"
    HAND_OVER = "hand over"


class Hitch(StrEnum):
    """Why a mail was not taken."""

    NO_PASSWORD = "no password"  # noqa: S105 - a reason, not one
    NAME_NOT_FOUND = "name not found"
    PORT_CLOSED = "port closed"
    NO_ANSWER = "no answer"
    NO_MAIL_SERVER = "no mail server"
    NO_STARTTLS = "no starttls"
    NOT_TRUSTED = "not trusted"
    NO_TLS = "no tls"
    NO_SIGN_IN = "no sign-in"
    WRONG_PASSWORD = "wrong password"  # noqa: S105 - a reason, not one
    MUST_SIGN_IN = "must sign in"
    SENDER_REFUSED = "sender refused"
    RECIPIENT_REFUSED = "recipient refused"
    TOO_LARGE = "too large"
    REFUSED = "refused"
    LATER = "later"
    BROKEN = "broken"
    """The connection broke before all was sent: it was not taken."""
    UNCERTAIN = "uncertain"
    """It broke after all was sent and before the answer: whether it was taken nobody knows."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StageDone:
    """One step that was made; ``detail`` is what there is to say of it (the TLS version, a name)."""

    stage: Stage
    detail: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sending:
    """How one try to send went. ``hitch`` None: the server took it; then ``said`` is its answer.

    ``stage``: where it ended; ``said``: what the server or the system said, for the person.
    """

    done: tuple[StageDone, ...]
    stage: Stage
    hitch: Hitch | None = None
    said: str = ""

    @property
    def taken(self) -> bool:
        """Whether the server took it."""
        return self.hitch is None


@dataclass(frozen=True, kw_only=True, slots=True)
class DraftedMail:
    """A mail that is only looked at: both parts, and all of it as it would go over the line."""

    subject: str
    text: str
    page: str
    message: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class MailOutcome:
    """What came of a report that was sent by hand.

    ``sending`` None: somebody else was sending just then, so it waits like any other. ``has_daemon``:
    whether a daemon runs that sends it later.
    """

    subject: str
    to: str
    sending: Sending | None
    has_daemon: bool
    overview: Overview

    @property
    def taken(self) -> bool:
        """Whether the server took it."""
        return self.sending is not None and self.sending.taken


_OF_THE_LINE: Final = frozenset(
    {Hitch.NAME_NOT_FOUND, Hitch.PORT_CLOSED, Hitch.NO_ANSWER, Hitch.BROKEN, Hitch.UNCERTAIN}
)
_OF_THE_LETTER: Final = frozenset({Hitch.TOO_LARGE, Hitch.REFUSED})
_MINUTE: Final = timedelta(minutes=1)
LINE_WAITS: Final = tuple(_MINUTE * minutes for minutes in (1, 2, 4, 8, 15))
LATER_WAITS: Final = tuple(_MINUTE * minutes for minutes in (5, 10, 20, 30))
"""RFC 5321 section 4.5.4.1 asks relays for half an hour; a first quick try meets greylisting."""
PERSON_WAITS: Final = tuple(_MINUTE * minutes for minutes in (30, 60, 120, 240, 360))
MOST_REFUSALS: Final = 5
"""So often a letter may be refused for what it is."""


def is_of_the_line(hitch: Hitch) -> bool:
    """Whether any other letter would fail in the same way now."""
    return hitch not in _OF_THE_LETTER and hitch not in {Hitch.LATER, Hitch.UNCERTAIN}


def after_hitch(letter: Letter, hitch: Hitch, now: datetime) -> tuple[LetterState, datetime]:
    """What becomes of a letter that was not taken: its state, and when it is tried next.

    Args:
        letter: as it was before this try.
        hitch: what came between.
        now: the present time.
    """
    if hitch in _OF_THE_LETTER and letter.tries + 1 >= MOST_REFUSALS:
        return LetterState.REFUSED, now
    waits = PERSON_WAITS
    if hitch in _OF_THE_LINE:
        waits = LINE_WAITS
    elif hitch is Hitch.LATER:
        waits = LATER_WAITS
    return LetterState.WAITING, now + waits[min(letter.tries, len(waits) - 1)]


def is_due(letter: Letter, now: datetime) -> bool:
    """Whether a waiting letter is to be tried; a time far ahead was noted by a wrong clock."""
    return letter.next_at <= now or letter.next_at - now > PERSON_WAITS[-1]


_RANKS: Final = MappingProxyType(
    {LetterKind.URGENT: 0, LetterKind.BY_HAND: 1, LetterKind.WEEKLY: 2}
)


def in_order(letters: Sequence[Letter]) -> list[Letter]:
    """The order in which waiting letters are sent: urgent ones first, then by age."""
    return sorted(letters, key=lambda one: (_RANKS[one.kind], one.made_at, one.message_id))


@dataclass(frozen=True, kw_only=True, slots=True)
class Answered:
    """Whom a new letter answers (RFC 5322 section 3.6.4). Both empty: it begins a thread."""

    in_reply_to: str = ""
    references: tuple[str, ...] = ()

    @property
    def root(self) -> str:
        """The first of the thread; empty: there is none yet."""
        return self.references[0] if self.references else ""


def answered(sent: Sequence[Letter], kind: LetterKind, now: datetime) -> Answered:
    """Whom a new letter answers.

    Reports answer the one before; the repeats of an urgent matter answer its first.

    Args:
        sent: the letters of its thread that were sent, in any order.
        kind: of the new one.
        now: the present time.
    """
    last = max(sent, key=lambda one: (one.made_at, one.message_id), default=None)
    if last is None:
        return Answered()
    if kind is LetterKind.URGENT:
        if abs(now - last.made_at) > THREAD_LASTS:
            return Answered()
        return Answered(in_reply_to=last.root, references=(last.root,))
    chain = dict.fromkeys((last.root, last.message_id))
    return Answered(in_reply_to=last.message_id, references=tuple(chain))


def replaced(waiting: Sequence[Letter]) -> Letter | None:
    """Which letter that could not be sent a new one of its thread speaks of: the oldest."""
    return min(waiting, key=lambda one: (one.made_at, one.message_id), default=None)
