"""What waits is sent once: through a real server that is down, busy or breaks off."""

import os
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.catalog.outbox import open_outbox
from backupkeeper.config import Security
from backupkeeper.core.errors import PlaceHeldError
from backupkeeper.core.mailing import (
    KEPT,
    LINE_WAITS,
    MOST_REFUSALS,
    Hitch,
    LetterKind,
    LetterState,
    Sending,
)
from backupkeeper.daemon.posting import LOCK, Postman, Tried
from backupkeeper.system.lock import PlaceLocks
from tests.catalog.made import NOW
from tests.daemon.posting_stand import Stand, ids, letter
from tests.real.store import free_ports
from tests.world.mail_server import MailServer, client_settings, mail_server

PATIENCE_S = 20.0


@pytest.fixture
def server(tmp_path: Path) -> Iterator[MailServer]:
    with mail_server(tmp_path, security=Security.NONE) as made:
        yield made


@pytest.fixture
def stand(tmp_path: Path, server: MailServer) -> Stand:
    return Stand(tmp_path, server.settings)


def test_what_waits_is_sent_once_urgent_ones_first(stand: Stand, server: MailServer) -> None:
    weekly = letter("week", kind=LetterKind.WEEKLY, made_at=NOW - timedelta(days=1))
    stand.post(weekly, letter("a"), letter("later", next_at=NOW + timedelta(hours=1)))
    tried = stand.send()
    # One went through, so the line is there: what waited for another try goes too.
    assert ids(server) == ["a", "later", "week"]
    assert all(one.sending.taken for one in tried)
    assert stand.send() == []
    assert (stand.waiting(), stand.state("week")) == ((), LetterState.SENT)


def test_the_server_is_down_for_days_and_comes_back(tmp_path: Path) -> None:
    port = free_ports(1)
    stand = Stand(tmp_path, client_settings(port, Security.NONE))
    stand.post(letter("a"), letter("b"))
    waits, last = [], stand.clock.at
    while stand.clock.at < NOW + timedelta(days=2):
        if stand.send():
            waits.append(stand.clock.at - last)
            last = stand.clock.at
        stand.pass_time(1)
    assert waits[1 : len(LINE_WAITS)] == list(LINE_WAITS[:-1])
    assert set(waits[len(LINE_WAITS) :]) == {LINE_WAITS[-1]}
    assert {one.said[:33] for one in stand.waiting()} == {"127.0.0.1 lets nobody in at port "}
    with mail_server(tmp_path, security=Security.NONE, port=port) as server:
        stand.pass_time(15)
        stand.send()
        stand.pass_time(15)
        assert stand.send() == []
    assert ids(server) == ["a", "b"]


def test_a_line_that_is_down_is_tried_with_one_letter_only(tmp_path: Path) -> None:
    stand = Stand(tmp_path, client_settings(free_ports(1), Security.NONE))
    stand.post(*map(letter, "abc"))
    (tried,) = stand.send()
    assert (tried.letter.subject, tried.sending.hitch) == ("a", Hitch.PORT_CLOSED)
    assert [one.tries for one in stand.waiting()] == [1, 1, 1]
    assert stand.send() == []


def test_later_means_later_and_then_it_is_taken_once(stand: Stand, server: MailServer) -> None:
    server.script = ["451 greylisted"]
    stand.post(letter())
    assert [one.sending.hitch for one in stand.send()] == [Hitch.LATER]
    stand.pass_time(4)
    assert stand.send() == []
    stand.pass_time(1)
    assert [one.sending.taken for one in stand.send()] == [True]
    assert ids(server) == ["a"]


def test_one_that_is_refused_holds_up_no_other_and_ends(stand: Stand, server: MailServer) -> None:
    server.script = ["554 no"]
    stand.post(letter("a"), letter("b"))
    stand.send()
    assert ids(server) == ["b"]
    last: list[Tried] = []
    for _ in range(MOST_REFUSALS - 1):
        server.script = ["554 no"]
        stand.pass_time(600)
        last = stand.send()
    assert [one.refused for one in last] == [True]
    assert (stand.state("a"), stand.send()) == (LetterState.REFUSED, [])


def test_a_connection_that_breaks_before_the_data_sends_nothing_twice(
    stand: Stand, server: MailServer
) -> None:
    server.script = ["break before data"]
    stand.post(letter())
    stand.send()
    stand.pass_time(1)
    stand.send()
    assert ids(server) == ["a"]


@pytest.mark.parametrize(("how", "times"), [("break after data", 2), ("lose after data", 1)])
def test_a_connection_that_breaks_after_the_data_is_sent_again_under_the_same_identity(
    stand: Stand, server: MailServer, how: str, times: int
) -> None:
    """Whether it was taken can't be known (RFC 1047): a mail program drops the double by its id."""
    server.script = [how]
    stand.post(letter())
    stand.send()
    assert "is not known" in stand.waiting()[0].said
    stand.pass_time(1)
    stand.send()
    assert ids(server) == ["a"] * times
    assert len(set(server.raw)) == 1


def test_one_can_be_sent_by_its_name_before_its_time(stand: Stand, server: MailServer) -> None:
    late = NOW + timedelta(hours=1)
    stand.post(letter("a", next_at=late), letter("b", next_at=late))
    assert [one.letter.subject for one in stand.send("<b@example.org>")] == ["b"]
    assert ids(server) == ["b"]
    assert stand.send("<nobody@example.org>") == []


def test_while_another_one_sends_nothing_is_sent(stand: Stand, server: MailServer) -> None:
    stand.post(letter())
    with (
        PlaceLocks(f"{stand.file}.locks").hold(LOCK, called="the outbox", doing="sending"),
        pytest.raises(PlaceHeldError),
    ):
        stand.send()
    assert server.taken == []


def test_it_is_looked_at_anew_right_before_it_is_sent(stand: Stand, server: MailServer) -> None:
    """Replaced while the one before it was on its way: it does not go any more."""
    stand.post(letter("a"), letter("b"))
    inner = stand.mailer

    class Meanwhile:
        def send(self, message: bytes) -> Sending:
            if b"Subject: a" in message:
                stand.post(letter("new", thread="b"))
            return inner.send(message)

    stand.mailer = Meanwhile()
    stand.send()
    assert ids(server) == ["a", "new"]


# -- the thread


@dataclass
class Office:
    """A postman of its own thread, and what it said."""

    stand: Stand
    tried: list[Tried] = field(default_factory=list)
    trouble: list[str] = field(default_factory=list)
    told: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(0))

    def __post_init__(self) -> None:
        self.postman = Postman(
            lambda: open_outbox(self.stand.file, clock=self.stand.clock),
            self.stand.sender,
            tell=self._tell,
            trouble=self._say,
            clock=self.stand.clock,
        )

    def _tell(self, one: Tried) -> None:
        self.tried.append(one)
        self.told.release()

    def _say(self, said: str) -> None:
        self.trouble.append(said)
        self.told.release()

    def wait(self, times: int = 1) -> None:
        for _ in range(times):
            assert self.told.acquire(timeout=PATIENCE_S)


@pytest.fixture
def office(stand: Stand) -> Iterator[Office]:
    made = Office(stand)
    yield made
    made.postman.stop()


def test_the_postman_sends_what_waits_from_before_and_what_comes(
    office: Office, server: MailServer
) -> None:
    office.stand.post(letter("a", next_at=NOW + timedelta(hours=5)))
    office.postman.start()
    office.wait()
    office.stand.post(letter("b"))
    office.postman.look()
    office.wait()
    office.postman.stop()
    assert ids(server) == ["a", "b"]
    assert office.trouble == []


def test_what_failed_is_tried_at_once_when_the_line_may_be_back(
    office: Office, server: MailServer
) -> None:
    server.script = ["451 later"]
    office.stand.post(letter())
    office.postman.start()
    office.wait()
    office.postman.look()
    office.postman.hurry()
    office.wait()
    assert [one.sending.taken for one in office.tried] == [False, True]


def test_old_ones_are_forgotten_by_and_by(office: Office) -> None:
    office.stand.post(letter("old"))
    office.stand.send()
    office.stand.clock.at += KEPT + timedelta(seconds=1)
    office.stand.post(letter("new", made_at=office.stand.clock.at, next_at=office.stand.clock.at))
    office.postman.start()
    office.wait()
    office.postman.stop()
    with office.stand.catalog() as catalog:
        assert catalog.letters("old", LetterState.SENT) == ()
        assert len(catalog.letters("new", LetterState.SENT)) == 1


def test_a_command_that_sends_just_now_is_no_trouble_and_a_broken_outbox_is(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("backupkeeper.daemon.posting.TICK_S", 0.05)
    office = Office(stand)
    stand.post(letter())
    with stand.locks.hold(LOCK, called="the outbox", doing="sending"):
        office.postman.start()
        assert not office.told.acquire(timeout=0.5)
    office.wait()
    assert office.trouble == []
    os.rename(stand.file, f"{stand.file}.gone")
    for end in ("-wal", "-shm"):
        if os.path.exists(stand.file + end):
            os.remove(stand.file + end)
    office.postman.look()
    office.wait()
    assert "outbox can't be used" in office.trouble[0]
    office.postman.stop()


def test_a_postman_that_never_began_can_be_stopped(office: Office) -> None:
    office.postman.stop()
