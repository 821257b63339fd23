"""What the daemon's log says of mails: what was taken, what waits (once), what is given up."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from backupkeeper.core.mailing import Hitch, Sending, Stage
from backupkeeper.daemon.notes import Log, Value
from backupkeeper.daemon.posting import Tried
from backupkeeper.report.mail_words import why_not
from backupkeeper.wiring.posting import mailbox_of, postman_of
from tests.core.test_mailing import letter
from tests.stories.yard import NO_CLOUD, Yard

MAIL = '[mail]\nto = "me@example.org"\nhost = "mail.example.org"\n'
TAKEN = Sending(done=(), stage=Stage.HAND_OVER)
FAILED = Sending(done=(), stage=Stage.CONNECT, hitch=Hitch.PORT_CLOSED)


@dataclass
class Sink:
    lines: list[tuple[str, bool]] = field(default_factory=list)

    def write(self, message: str, *, urgent: bool, fields: Mapping[str, Value]) -> None:
        self.lines.append((message, urgent))


def test_each_end_of_a_try_has_its_line(tmp_path: Path) -> None:
    sink = Sink()
    with Yard(tmp_path, policy=f"{NO_CLOUD}\n{MAIL}").keeper() as keeper:
        postman = postman_of(keeper.context, lambda: "", Log(sink))
        assert postman is not None
        settings = keeper.config.mail
        one = letter("The week")
        postman._tell(Tried(letter=one, sending=TAKEN))
        postman._tell(Tried(letter=one, sending=FAILED))
        again = replace(one, said=why_not(FAILED, settings))
        postman._tell(Tried(letter=again, sending=FAILED))
        postman._tell(Tried(letter=again, sending=FAILED, refused=True))
        postman._trouble("The outbox can't be used.")
    why = "mail.example.org lets nobody in at port 587."
    assert sink.lines == [
        ("Mail: The week: taken by mail.example.org.", False),
        (f"Mail: The week: it waits. {why}", True),
        (f"Mail: The week: given up. {why}", True),
        ("The outbox can't be used.", True),
    ]


def test_without_an_address_there_is_neither_mailbox_nor_postman(tmp_path: Path) -> None:
    with Yard(tmp_path).keeper() as keeper:
        assert mailbox_of(keeper.context) is None
        assert postman_of(keeper.context, lambda: "", Log(Sink())) is None
