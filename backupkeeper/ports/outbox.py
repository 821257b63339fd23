"""Mails that wait: kept in the catalog, so that neither a kill nor a broken line loses or doubles one."""

from datetime import datetime
from typing import Protocol

from backupkeeper.core.mailing import Letter, LetterState, Sending


class Outbox(Protocol):
    """All errors leave as ``CatalogError``."""

    def post(self, letter: Letter) -> None:
        """Put a letter in, durably; those of its thread that still wait are replaced by it."""
        ...

    def waiting(self) -> tuple[Letter, ...]:
        """All that wait, with their text, the oldest first."""
        ...

    def letters(self, thread: str, state: LetterState) -> tuple[Letter, ...]:
        """Those about one thing in one state, the oldest first."""
        ...

    def letter_sent(self, message_id: str, at: datetime) -> None:
        """The server took it: durable when this returns. Its text is forgotten."""
        ...

    def letter_failed(
        self, message_id: str, at: datetime, *, state: LetterState, next_at: datetime, said: str
    ) -> None:
        """It was tried and not taken; one that ended meanwhile stays as it is."""
        ...

    def hurry(self, now: datetime) -> None:
        """All that wait are due now."""
        ...

    def thin_letters(self, before: datetime) -> None:
        """Forget letters that ended before then."""
        ...


class Mailer(Protocol):
    """Hands one mail to the server. Failures are values; takes minutes at most."""

    def send(self, message: bytes) -> Sending:
        """Send it.

        Args:
            message: all of it but who it is from and to, lines ended by CR LF.
        """
        ...
