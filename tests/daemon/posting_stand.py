"""A catalog with letters, a clock that is set by hand, and senders for them."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from backupkeeper.catalog.outbox import open_outbox
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.config import MailSettings
from backupkeeper.core.mailing import Letter, LetterKind, LetterState
from backupkeeper.daemon.posting import Sender, Tried
from backupkeeper.daemon.smtp import SmtpMailer
from backupkeeper.ports.outbox import Mailer, Outbox
from backupkeeper.report.mail_words import why_not
from backupkeeper.system.lock import PlaceLocks
from tests.catalog.made import NOW, Watch
from tests.world.mail_server import MailServer


def letter(name: str = "a", **changes: object) -> Letter:
    values: dict[str, object] = {
        "message_id": f"<{name}@example.org>",
        "kind": LetterKind.URGENT,
        "thread": name,
        "root": f"<{name}@example.org>",
        "subject": name,
        "made_at": NOW,
        "next_at": NOW,
        "message": f"Subject: {name}\r\nMessage-ID: <{name}@example.org>\r\n\r\nText.\r\n".encode(),
    }
    return Letter(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


@dataclass
class Stand:
    """A catalog, a clock, and senders for it."""

    root: Path
    settings: MailSettings
    clock: Watch = field(default_factory=Watch)

    def __post_init__(self) -> None:
        self.file = str(self.root / "catalog.sqlite")
        open_catalog(self.file, clock=self.clock).close()
        self.locks = PlaceLocks(f"{self.file}.locks")
        self.mailer: Mailer = SmtpMailer(self.settings, password=lambda: "", hostname="edit-1")

    @contextmanager
    def catalog(self) -> Iterator[SqliteCatalog]:
        with closing(open_catalog(self.file, clock=self.clock)) as catalog:
            yield catalog

    def post(self, *letters: Letter) -> None:
        with self.catalog() as catalog:
            for one in letters:
                catalog.post(one)

    def sender(self, outbox: Outbox) -> Sender:
        return Sender(
            outbox=outbox,
            mailer=self.mailer,
            locks=self.locks,
            clock=self.clock,
            why=lambda sending: why_not(sending, self.settings),
        )

    def send(self, only: str | None = None) -> list[Tried]:
        with closing(open_outbox(self.file, clock=self.clock)) as outbox:
            return self.sender(outbox).send_due(only)

    def waiting(self) -> tuple[Letter, ...]:
        with self.catalog() as catalog:
            return catalog.waiting()

    def state(self, name: str) -> LetterState:
        with self.catalog() as catalog:
            (found,) = [state for state in LetterState if catalog.letters(name, state)]
            return found

    def pass_time(self, minutes: float) -> None:
        self.clock.at += timedelta(minutes=minutes)


def ids(server: MailServer) -> list[str]:
    return [str(one["Message-ID"])[1:-13] for one in server.taken]
