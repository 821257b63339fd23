"""Telling a person: a real mail server with TLS, a real bus, real programs."""

import email
import email.policy
import os
import ssl
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword
from jeepney import MessageType, new_method_return
from jeepney.bus_messages import DBus
from jeepney.io.blocking import open_dbus_connection

from backupkeeper.config import MailSettings, Security
from backupkeeper.core.errors import UsageError
from backupkeeper.daemon import heralds
from backupkeeper.daemon.heralds import CommandHerald, DesktopHerald, MailHerald
from tests.real.store import free_ports

FORGED = "All well\r\nBcc: thief@example.org\udc80"
BODY = "First line.\n.\nFrom here on\x1b[31m \udc80 Ünïcode.\n"


class Clock:
    def now(self) -> datetime:
        return datetime(2026, 6, 12, 18, tzinfo=UTC)

    def monotonic(self) -> float:
        return 0.0


class Entropy:
    def new_id(self) -> str:
        return "7d0a2c4e-0000-4000-8000-000000000000"


# -- mail


@dataclass
class Post:
    """What arrived."""

    letters: list[EmailMessage] = field(default_factory=list)
    signed_in: list[tuple[bytes, bytes]] = field(default_factory=list)
    refuse: str = ""

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802 - aiosmtpd's name
        if self.refuse:
            return self.refuse
        data = email.message_from_bytes(envelope.content, policy=email.policy.default)
        assert isinstance(data, EmailMessage)
        self.letters.append(data)
        return "250 OK"

    def authenticate(self, *words: Any) -> AuthResult:
        found = words[-1]
        assert isinstance(found, LoginPassword)
        self.signed_in.append((found.login, found.password))
        return AuthResult(success=found.password == b"hunter2", handled=False)


@pytest.fixture(scope="module")
def identity(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """A certificate for localhost, made on the spot."""
    folder = tmp_path_factory.mktemp("identity")
    key, certificate = str(folder / "key"), str(folder / "certificate")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj",
         "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
         "-keyout", key, "-out", certificate],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    return key, certificate


@pytest.fixture
def trusted(identity: tuple[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", identity[1])


@pytest.fixture
def post() -> Post:
    return Post()


@pytest.fixture(params=[Security.STARTTLS, Security.TLS, Security.NONE], ids=str)
def settings(
    request: pytest.FixtureRequest, post: Post, identity: tuple[str, str]
) -> Iterator[MailSettings]:
    """A server of each kind."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(identity[1], identity[0])
    more: dict[str, Any] = {"auth_required": False, "authenticator": post.authenticate}
    if request.param is Security.STARTTLS:
        more |= {"tls_context": context, "require_starttls": True}
    elif request.param is Security.TLS:
        more |= {"ssl_context": context, "auth_require_tls": False}
    else:
        more |= {"auth_require_tls": False}
    port = free_ports(1)
    server = Controller(post, hostname="127.0.0.1", port=port, **more)
    server.start()
    yield MailSettings(
        to="me@example.org",
        sender="yard@example.org",
        host="localhost" if request.param is not Security.NONE else "127.0.0.1",
        port=port,
        security=request.param,
    )
    server.stop()


def mail(settings: MailSettings, password: str = "hunter2", host: str = "edit-1") -> MailHerald:
    return MailHerald(
        settings, password=lambda: password, clock=Clock(), entropy=Entropy(), hostname=host
    )


def test_a_mail_arrives_whole_and_nothing_in_it_is_forged(
    settings: MailSettings, post: Post, trusted: None
) -> None:
    assert mail(settings).tell(subject=FORGED, body=BODY, urgent=True) is None
    (letter,) = post.letters
    assert letter["Subject"] == "All well\\r\\nBcc: thief@example.org\\x80"
    assert (letter["Bcc"], letter["To"], letter["From"]) == (
        None,
        "me@example.org",
        "yard@example.org",
    )
    assert letter["Message-ID"] == "<7d0a2c4e-0000-4000-8000-000000000000@edit-1>"
    assert (letter["Importance"], letter["Auto-Submitted"]) == ("high", "auto-generated")
    assert letter.get_content().splitlines() == [
        "First line.",
        ".",
        "From here on\\x1b[31m \\x80 Ünïcode.",
    ]


def test_it_signs_in_where_there_is_a_user(
    settings: MailSettings, post: Post, trusted: None
) -> None:
    signed = replace(settings, user="me", sender="")
    assert mail(signed).tell(subject="s", body="b", urgent=False) is None
    assert post.signed_in == [(b"me", b"hunter2")]
    assert post.letters[0]["From"] == "me@example.org"
    assert post.letters[0]["Importance"] is None
    failed = mail(signed, password="wrong").tell(subject="s", body="b", urgent=False)
    assert failed is not None
    assert failed.startswith("No mail could be sent")
    assert "wrong" not in failed


def test_a_server_that_refuses_is_a_sentence(
    settings: MailSettings, post: Post, trusted: None
) -> None:
    post.refuse = "554 not today"
    told = mail(settings).tell(subject="s", body="b", urgent=False)
    assert told is not None
    assert "not today" in told


def test_a_certificate_that_nobody_trusts_sends_nothing(settings: MailSettings, post: Post) -> None:
    if settings.security is Security.NONE:
        return  # a bare line has no certificate
    told = mail(replace(settings, user="me")).tell(subject="s", body="b", urgent=False)
    assert told is not None
    assert "certificate" in told.lower()
    assert (post.letters, post.signed_in) == ([], [])


def test_no_server_or_no_password_is_a_sentence() -> None:
    nowhere = MailSettings(to="me@example.org", host="127.0.0.1", port=9, security=Security.NONE)
    assert "No mail could be sent" in str(mail(nowhere).tell(subject="s", body="b", urgent=False))

    def no_password() -> str:
        raise UsageError("It is not there.")

    herald = MailHerald(
        nowhere, password=no_password, clock=Clock(), entropy=Entropy(), hostname="\udc80 ö"
    )
    assert herald._message("s", "b", urgent=False)["Message-ID"].endswith("@backupkeeper>")


# -- the person's own program


def program(folder: Path, text: str) -> list[str]:
    file = folder / "tell"
    file.write_text(f"#!/bin/sh\n{text}\n")
    file.chmod(0o755)
    return [str(file), "two words", "$HOME"]


def test_a_program_gets_the_text_and_nothing_goes_through_a_shell(tmp_path: Path) -> None:
    command = program(
        tmp_path,
        f'printf "%s|%s|%s|%s" "$1" "$2" "$BACKUPKEEPER_SUBJECT" "$BACKUPKEEPER_URGENT" > {tmp_path}/a; cat > {tmp_path}/b',
    )
    herald = CommandHerald(command, {"PATH": os.environ["PATH"]})
    assert herald.tell(subject="a;$(touch x)\n`b`", body=BODY, urgent=True) is None
    assert (tmp_path / "a").read_text() == "two words|$HOME|a;$(touch x)\\n`b`|1"
    assert (tmp_path / "b").read_text() == "First line.\n.\nFrom here on\\x1b[31m \\x80 Ünïcode.\n"


def test_a_program_that_fails_hangs_or_is_not_there_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(heralds, "COMMAND_S", 0.2)
    for command, told in (
        (program(tmp_path, "exit 7"), "ended with 7"),
        (["/nowhere/at/all"], "could not be run"),
    ):
        assert told in str(CommandHerald(command, {}).tell(subject="s", body="b", urgent=False))
    hangs = CommandHerald(program(tmp_path, "exec sleep 600"), {"PATH": os.environ["PATH"]})
    assert "did not end" in str(hangs.tell(subject="s", body="b", urgent=False))


# -- the desktop


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[str]:
    """A private session bus."""
    command = ["dbus-daemon", "--session", "--nofork", "--nopidfile", "--print-address"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as daemon:
        assert daemon.stdout is not None
        yield daemon.stdout.readline().strip()
        daemon.terminate()


@dataclass
class Desktop:
    """A small notification service: answers one call."""

    bus: str
    got: list[Any] = field(default_factory=list)

    def serve(self, ready: threading.Event) -> None:
        with open_dbus_connection(self.bus) as line:
            line.send_and_get_reply(DBus().RequestName("org.freedesktop.Notifications"))
            ready.set()
            while not self.got:
                call = line.receive(timeout=20)
                if call.header.message_type is MessageType.method_call:
                    self.got.append(call.body)
                    line.send(new_method_return(call, "u", (1,)))


@pytest.mark.real("dbus")
def test_the_desktop_shows_it_without_markup_of_a_file_name(bus: str) -> None:
    desktop, ready = Desktop(bus), threading.Event()
    thread = threading.Thread(target=desktop.serve, args=(ready,))
    thread.start()
    assert ready.wait(20)
    told = DesktopHerald(bus).tell(subject="Damage\n", body="<b>A & B</b>\x1b", urgent=True)
    thread.join(20)
    assert told is None
    ((name, _, _, subject, body, _, hints, _),) = desktop.got
    assert (name, subject, body) == (
        "backupkeeper",
        "Damage\\n",
        "&lt;b&gt;A &amp; B&lt;/b&gt;\\x1b",
    )
    assert hints["urgency"] == ("y", 2)


@pytest.mark.real("dbus")
def test_a_bus_without_a_desktop_is_a_sentence(bus: str) -> None:
    told = DesktopHerald(bus).tell(subject="s", body="b", urgent=False)
    assert told is not None
    assert "desktop" in told


def test_no_bus_at_all_is_a_sentence() -> None:
    assert "no session bus" in str(DesktopHerald("").tell(subject="s", body="b", urgent=False))
    told = DesktopHerald("unix:path=/nowhere").tell(subject="s", body="b", urgent=False)
    assert "could not be told" in str(told)
