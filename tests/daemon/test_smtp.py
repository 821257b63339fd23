"""Each step to a real mail server, and each way in which it can go wrong, told apart."""

import socket
import threading
from base64 import b64encode
from collections.abc import Iterator
from contextlib import contextmanager
from copy import copy
from dataclasses import replace
from pathlib import Path

import pytest

from backupkeeper.config import MailSettings, Security
from backupkeeper.core.errors import UsageError
from backupkeeper.core.mailing import Hitch, Sending, Stage
from backupkeeper.daemon import smtp
from backupkeeper.daemon.smtp import SmtpMailer
from backupkeeper.report.mail_words import advice, why_not
from backupkeeper.system.password import read_password
from tests.real.store import free_ports
from tests.world.mail_server import PASSWORD, MailServer, client_settings, mail_server

MESSAGE = (
    b"Subject: hello\r\nMessage-ID: <a@example.org>\r\n\r\nFirst.\r\n.\r\n..two\r\nFrom here\r\n"
)
BOTH = [Security.STARTTLS, Security.TLS]


def send(
    settings: MailSettings,
    message: bytes = MESSAGE,
    password: str = "hunter2",
    host: str = "edit-1",
) -> Sending:
    return SmtpMailer(settings, password=lambda: password, hostname=host).send(message)


@pytest.fixture(params=[*BOTH, Security.NONE], ids=str)
def server(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[MailServer]:
    with mail_server(tmp_path, security=request.param) as made:
        monkeypatch.setenv("SSL_CERT_FILE", made.certificate)
        yield made


@pytest.fixture(params=BOTH, ids=str)
def locked(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[MailServer]:
    """One that wants a login."""
    with mail_server(tmp_path, security=request.param, login=True) as made:
        monkeypatch.setenv("SSL_CERT_FILE", made.certificate)
        yield made


def test_a_mail_arrives_byte_by_byte_with_its_addresses_before_it(server: MailServer) -> None:
    came = send(server.settings)
    assert (came.taken, came.stage, came.said) == (True, Stage.HAND_OVER, "250 taken")
    assert server.raw == [
        b"From: backupkeeper <yard@example.org>\r\nTo: me@example.org\r\n" + MESSAGE
    ]
    assert server.encrypted == [server.settings.security is not Security.NONE]
    size = len(server.raw[0])
    assert server.commands[-2:] == [f"MAIL yard@example.org SIZE={size}", "RCPT me@example.org"]
    assert server.commands[0] == "EHLO edit-1"
    assert (why_not(came, server.settings), advice(came, server.settings)) == ("", "")


def test_bare_line_ends_are_made_whole(server: MailServer) -> None:
    assert send(replace(server.settings, sender=""), b"Subject: x\n\n.dot\rend").taken
    head, _, body = server.raw[0].partition(b"\r\n\r\n")
    assert head.startswith(b"From: backupkeeper <me@example.org>\r\n")
    assert body == b".dot\r\nend\r\n"


def test_every_step_is_told_with_what_is_to_be_said_of_it(locked: MailServer) -> None:
    came = send(locked.settings)
    told = {one.stage: one.detail for one in came.done}
    assert list(told) == list(Stage)
    assert told[Stage.PASSWORD] == "file"
    assert told[Stage.NAME] == "127.0.0.1"
    assert told[Stage.TLS].startswith("TLSv1.")
    assert told[Stage.SIGN_IN] == "me"
    assert locked.signed_in == [(b"me", b"hunter2")]


def test_a_wrong_password_is_that_and_stands_in_no_word(locked: MailServer) -> None:
    came = send(locked.settings, password="letmein77")
    assert (came.hitch, came.stage) == (Hitch.WRONG_PASSWORD, Stage.SIGN_IN)
    assert came.said.startswith("535 ")
    assert "letmein77" not in f"{came}{why_not(came, locked.settings)}"
    assert "password" in advice(came, locked.settings)
    assert locked.taken == []


def test_a_password_beyond_ascii_goes_as_utf_8(locked: MailServer) -> None:
    came = send(locked.settings, password="pässwört")
    assert came.hitch is Hitch.WRONG_PASSWORD
    assert locked.signed_in == [(b"me", "pässwört".encode())]


def test_a_server_that_has_no_time_for_logins_is_asked_later(locked: MailServer) -> None:
    locked.refuse_login = "454 4.7.0 Temporary authentication failure"
    assert send(locked.settings).hitch is Hitch.LATER


@pytest.mark.parametrize(
    "says_it", ["{0}", "{1}", "{2}", "is {0}{0}, {2}?"], ids=["plain", "LOGIN", "PLAIN", "all"]
)
def test_a_server_that_says_the_password_back_tells_it_to_nobody(
    locked: MailServer, says_it: str
) -> None:
    """RFC 4616: PLAIN sends name and password in one; LOGIN each by itself; both in Base64."""
    forms = (
        PASSWORD,
        b64encode(PASSWORD.encode()).decode(),
        b64encode(b"\0me\0" + PASSWORD.encode()).decode(),
    )
    locked.refuse_login = "535 5.7.8 " + says_it.format(*forms)
    came = send(locked.settings)
    assert came.hitch is Hitch.WRONG_PASSWORD
    assert "(not shown)" in came.said
    assert not [one for one in forms if one.rstrip("=") in came.said]


def test_a_password_that_is_not_there_stops_before_anything_is_connected() -> None:
    def none() -> str:
        raise UsageError("It is not there.")

    settings = client_settings(9, Security.TLS, user="me", password_from="keyring")
    came = SmtpMailer(settings, password=none, hostname="edit-1").send(MESSAGE)
    assert (came.hitch, came.stage, came.done) == (Hitch.NO_PASSWORD, Stage.PASSWORD, ())
    assert why_not(came, settings) == "The password could not be had. (It is not there.)"


def test_what_is_wrong_with_the_passwords_file_is_told_in_one_line(tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    kept.write_text("tide")
    kept.chmod(0o644)
    source = f"file:{kept}"

    def open_to_all() -> str:
        return read_password(source, user="me", environ={}, config="config.toml")

    settings = client_settings(9, Security.TLS, user="me", password_from=source)
    came = SmtpMailer(settings, password=open_to_all, hostname="edit-1").send(MESSAGE)
    assert came.said == f"{source} is not a file that you alone can read (chmod 600)"


@pytest.mark.parametrize("security", BOTH, ids=str)
def test_who_must_sign_in_and_does_not_is_told_so(
    security: Security, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with mail_server(tmp_path, security=security, login=True) as server:
        monkeypatch.setenv("SSL_CERT_FILE", server.certificate)
        came = send(replace(server.settings, user=""))
    assert came.hitch is Hitch.MUST_SIGN_IN
    assert "user" in advice(came, server.settings)


@pytest.mark.parametrize("security", BOTH, ids=str)
def test_a_certificate_that_nobody_trusts_gets_neither_password_nor_mail(
    security: Security, tmp_path: Path
) -> None:
    with mail_server(tmp_path, security=security, login=True) as server:
        came = send(server.settings)
    assert (came.hitch, came.stage) == (Hitch.NOT_TRUSTED, Stage.TLS)
    assert "self-signed" in came.said
    assert (server.taken, server.signed_in) == ([], [])
    assert not any(one.startswith("MAIL") for one in server.commands)


def test_a_certificate_of_another_name_is_not_trusted(locked: MailServer) -> None:
    came = send(replace(locked.settings, host="localhost"))
    assert came.hitch is Hitch.NOT_TRUSTED
    assert "localhost" in came.said


def test_without_starttls_nothing_goes_over_the_bare_line(tmp_path: Path) -> None:
    with mail_server(tmp_path, starttls=False) as server:
        came = send(replace(server.settings, user="me"))
    assert (came.hitch, came.stage) == (Hitch.NO_STARTTLS, Stage.TLS)
    assert (server.taken, server.signed_in) == ([], [])
    assert [one.split()[0] for one in server.commands] == ["EHLO"]


def test_a_server_without_logins_is_told() -> None:
    with _line_by_line(b"220 hi\r\n", b"250 hi\r\n") as port:
        came = send(client_settings(port, Security.NONE, user="me"))
    assert (came.hitch, came.stage) == (Hitch.NO_SIGN_IN, Stage.SIGN_IN)


def test_tls_at_a_port_that_has_none_is_told_with_the_usual_ports(tmp_path: Path) -> None:
    with mail_server(tmp_path, security=Security.NONE) as server:
        came = send(replace(server.settings, security=Security.TLS))
    assert (came.hitch, came.stage) == (Hitch.NO_TLS, Stage.TLS)
    assert "465" in advice(came, replace(server.settings, security=Security.TLS))
    assert "TLS 1.2" in advice(came, replace(server.settings, security=Security.STARTTLS))


def test_a_port_where_nobody_listens_and_a_name_that_is_none() -> None:
    closed = client_settings(free_ports(1), Security.STARTTLS)
    came = send(closed)
    assert (came.hitch, came.stage) == (Hitch.PORT_CLOSED, Stage.CONNECT)
    assert why_not(came, closed).startswith(f"127.0.0.1 lets nobody in at port {closed.port}.")
    nowhere = replace(closed, host="mail.invalid")
    came = send(nowhere)
    assert (came.hitch, came.stage, came.done) == (Hitch.NAME_NOT_FOUND, Stage.NAME, ())


@pytest.mark.parametrize(
    ("answers", "hitch"),
    [
        ([b"HTTP/1.1 400 Bad Request\r\n"], Hitch.NO_MAIL_SERVER),
        ([b"554 go away\r\n"], Hitch.NO_MAIL_SERVER),
        ([b"421 too busy\r\n"], Hitch.LATER),
        ([b""], Hitch.NO_ANSWER),
        ([b"220 " + b"x" * 20_000 + b"\r\n"], Hitch.REFUSED),
        ([b"220 hi\r\n", b"421 busy\r\n", b"421 busy\r\n"], Hitch.LATER),
        ([b"220 hi\r\n", b"502 no\r\n", b"502 no\r\n"], Hitch.REFUSED),
        ([b"220 hi\r\n", b"250 hi\r\n", b"nonsense\r\n"], Hitch.NO_MAIL_SERVER),
        ([b"220 hi\r\n", b"250 hi\r\n", b""], Hitch.BROKEN),
        (
            [b"220 hi\r\n", b"250 hi\r\n", b"250 ok\r\n", b"250 ok\r\n", b"250 no\r\n"],
            Hitch.REFUSED,
        ),
        ([b"220 hi\r\n", b"250 hi\r\n", b"250 ok\r\n", b"250 ok\r\n", b"451 no\r\n"], Hitch.LATER),
    ],
)
def test_what_is_no_mail_server_or_a_confused_one(answers: list[bytes], hitch: Hitch) -> None:
    with _line_by_line(*answers) as port:
        assert send(client_settings(port, Security.NONE)).hitch is hitch


def test_a_server_that_says_nothing_is_left_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smtp, "ANSWER_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        came = send(client_settings(silent.getsockname()[1], Security.NONE))
    assert (came.hitch, came.stage) == (Hitch.NO_ANSWER, Stage.CONNECT)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        came = send(client_settings(silent.getsockname()[1], Security.TLS))
    assert came.hitch is Hitch.NO_ANSWER


@pytest.mark.parametrize(
    ("change", "hitch"),
    [
        ({"refuse_sender": "550 not you"}, Hitch.SENDER_REFUSED),
        ({"refuse_sender": "451 greylisted"}, Hitch.LATER),
        ({"refuse_recipient": "550 no relaying"}, Hitch.RECIPIENT_REFUSED),
        ({"refuse_recipient": "553 no such name"}, Hitch.RECIPIENT_REFUSED),
        ({"refuse_recipient": "450 mailbox busy"}, Hitch.LATER),
        ({"script": ["451 try again"]}, Hitch.LATER),
        ({"script": ["552 too big"]}, Hitch.TOO_LARGE),
        ({"script": ["554 spam\x1b[31m"]}, Hitch.REFUSED),
        ({"script": ["break before data"]}, Hitch.BROKEN),
        ({"script": ["break after data"]}, Hitch.UNCERTAIN),
        ({"script": ["lose after data"]}, Hitch.UNCERTAIN),
    ],
)
def test_each_refusal_and_each_break_is_told_apart(
    server: MailServer, change: dict[str, object], hitch: Hitch
) -> None:
    for name, value in change.items():
        setattr(server, name, copy(value))
    came = send(server.settings)
    assert (came.hitch, came.stage) == (hitch, Stage.HAND_OVER)
    told = why_not(came, server.settings)
    assert told.isprintable()
    assert advice(came, server.settings)


def test_what_comes_after_the_server_took_it_is_no_failure(server: MailServer) -> None:
    server.script = ["quit badly"]
    assert send(server.settings).taken
    assert len(server.taken) == 1


def test_a_mail_that_is_too_large_is_not_sent_at_all(tmp_path: Path) -> None:
    with mail_server(tmp_path, security=Security.NONE, size=1000) as server:
        came = send(server.settings, MESSAGE + b"x" * 1000)
    assert came.hitch is Hitch.TOO_LARGE
    assert came.said == "It takes mails of up to 1000 bytes."
    assert not any(one.startswith("MAIL") for one in server.commands)


def test_a_machine_without_a_fit_name_greets_by_its_address(server: MailServer) -> None:
    assert send(server.settings, host="\udc80 ö").taken
    assert server.commands[0] == "EHLO [127.0.0.1]"


@contextmanager
def _line_by_line(*answers: bytes) -> Iterator[int]:
    """Says one thing after the other, whatever it hears; then hangs up."""

    def talk(listener: socket.socket) -> None:
        line, _ = listener.accept()
        with line, line.makefile("rb") as heard:
            for number, answer in enumerate(answers):
                if number:
                    heard.readline()
                line.sendall(answer)

    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=talk, args=(listener,), daemon=True)
        thread.start()
        yield listener.getsockname()[1]
        thread.join(20)
