"""Sending what waits in the outbox: exactly once, as far as that can be decided here.

Promises:
1. A letter is sent only while the outbox's lock is held, after it was seen to wait still: so neither
   two threads nor two programs on one catalog send the same one.
2. That it was taken is durable before the lock is let go. Only a death between the server's answer
   and that note has it sent again, with the same Message-ID (SMTP can't exclude it: RFC 1047).
3. What failed waits longer each time, and is due at once when another one went through or ``hurry``
   is said.
"""

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, closing
from dataclasses import dataclass
from typing import Final, Protocol

from backupkeeper.core.errors import BackupkeeperError, PlaceHeldError
from backupkeeper.core.mailing import (
    KEPT,
    Letter,
    LetterState,
    Sending,
    after_hitch,
    in_order,
    is_due,
    is_of_the_line,
)
from backupkeeper.ports.clock import Clock
from backupkeeper.ports.locks import Locks
from backupkeeper.ports.outbox import Mailer, Outbox

LOCK: Final = "outbox"
TICK_S: Final = 60.0
"""How often the clock is looked at: timers stand still while a machine sleeps."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Tried:
    """A letter, as it was before, and how the try went."""

    letter: Letter
    sending: Sending
    refused: bool = False
    """Whether it is not tried again."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sender:
    """Tries letters. ``why``: puts into words why one was not taken."""

    outbox: Outbox
    mailer: Mailer
    locks: Locks
    clock: Clock
    why: Callable[[Sending], str]

    def send_due(self, only: str | None = None) -> list[Tried]:
        """Try every letter that is due, urgent ones first; ``only``: this one, due or not.

        Raises:
            PlaceHeldError: another program is sending just now.
            CatalogError: the outbox can't be used.
        """
        with self.locks.hold(LOCK, called="the outbox", doing="sending mail"):
            return self._send_due(only)

    def _send_due(self, only: str | None) -> list[Tried]:
        tried: list[Tried] = []
        done: set[str] = set()
        while (letter := self._next(only, done)) is not None:
            done.add(letter.message_id)
            one = self._try(letter)
            tried.append(one)
            if one.sending.taken:
                self.outbox.hurry(self.clock.now())
            elif one.sending.hitch is not None and is_of_the_line(one.sending.hitch):
                self._postpone(done, one)
                break
        return tried

    def _next(self, only: str | None, done: set[str]) -> Letter | None:
        now = self.clock.now()
        for letter in in_order(self.outbox.waiting()):
            is_wanted = letter.message_id == only if only is not None else is_due(letter, now)
            if is_wanted and letter.message_id not in done:
                return letter
        return None

    def _try(self, letter: Letter) -> Tried:
        sending = self.mailer.send(letter.message)
        if sending.hitch is None:
            self.outbox.letter_sent(letter.message_id, self.clock.now())
            return Tried(letter=letter, sending=sending)
        return Tried(letter=letter, sending=sending, refused=not self._waits_on(letter, sending))

    def _waits_on(self, letter: Letter, sending: Sending) -> bool:
        if sending.hitch is None:
            return False
        now = self.clock.now()
        state, next_at = after_hitch(letter, sending.hitch, now)
        said = self.why(sending)
        self.outbox.letter_failed(letter.message_id, now, state=state, next_at=next_at, said=said)
        return state is LetterState.WAITING

    def _postpone(self, done: set[str], one: Tried) -> None:
        """The others would have failed in the same way."""
        now = self.clock.now()
        for letter in self.outbox.waiting():
            if letter.message_id not in done and is_due(letter, now):
                self._waits_on(letter, one.sending)


class ClosingOutbox(Outbox, Protocol):
    """An outbox on a connection of its own."""

    def close(self) -> None:
        """Let go of the file."""
        ...


class Postman:
    """A thread that sends what is due.

    Args:
        open_outbox: opens the outbox, in the thread that uses it.
        sender: puts a sender around it.
        tell: called from the thread with each try; must return at once.
        trouble: called from the thread with a sentence where the outbox itself fails.
        clock: the time of day.
    """

    def __init__(
        self,
        open_outbox: Callable[[], ClosingOutbox],
        sender: Callable[[Outbox], Sender],
        *,
        tell: Callable[[Tried], None],
        trouble: Callable[[str], None],
        clock: Clock,
    ) -> None:
        self._open = open_outbox
        self._sender = sender
        self._tell = tell
        self._trouble = trouble
        self._clock = clock
        self._wake = threading.Event()
        self._hurry = True
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="postman", daemon=True)

    def start(self) -> None:
        """Begin; what waits from an earlier run is tried at once."""
        self._thread.start()

    def look(self) -> None:
        """Something was posted."""
        self._wake.set()

    def hurry(self) -> None:
        """The line may be back: all that waits is tried now."""
        self._hurry = True
        self._wake.set()

    def stop(self) -> None:
        """End within two seconds; a server that takes longer is left behind."""
        self._stopped = True
        self._wake.set()
        if self._thread.ident is not None:
            self._thread.join(2.0)

    def _run(self) -> None:
        while not self._stopped:
            self._wake.clear()
            try:
                self._round()
            except PlaceHeldError:
                pass  # a command is sending: looked at again in a minute
            except BackupkeeperError as error:
                self._trouble(f"The outbox can't be used: {error.message}")
            self._wake.wait(TICK_S)

    def _round(self) -> None:
        with self._opened() as outbox:
            now = self._clock.now()
            if self._hurry:
                self._hurry = False
                outbox.hurry(now)
            if not any(is_due(letter, now) for letter in outbox.waiting()):
                return
            for one in self._sender(outbox).send_due():
                self._tell(one)
            outbox.thin_letters(self._clock.now() - KEPT)

    def _opened(self) -> AbstractContextManager[ClosingOutbox]:
        return closing(self._open())
