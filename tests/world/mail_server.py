"""A real mail server on loopback (aiosmtpd), with TLS and login, that can be told to misbehave.

Example:
    with mail_server(tmp_path, security=Security.TLS) as server:
        server.script = ["451 later", "break after data"]
        …
        assert len(server.taken) == 1
"""

import atexit
import email
import email.policy
import shutil
import ssl
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from functools import cache
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

from backupkeeper.config import MailSettings, Security
from tests.real.store import free_ports
from tests.world.certificates import new_certificate

USER, PASSWORD = "me", "hunter2"
TO, SENDER = "me@example.org", "yard@example.org"


@dataclass
class MailServer:
    """``script``: how the next mails are met; without one they are taken.

    ``"451 text"``: an answer to the data; ``"break before data"``: hangs up at the recipient;
    ``"break after data"``: takes it and hangs up before the answer; ``"lose after data"``: hangs up
    there and takes nothing; ``"quit badly"``: takes it, and says 421 to the goodbye.
    """

    settings: MailSettings
    certificate: str
    script: list[str] = field(default_factory=list)
    taken: list[EmailMessage] = field(default_factory=list)
    raw: list[bytes] = field(default_factory=list)
    signed_in: list[tuple[bytes, bytes]] = field(default_factory=list)
    commands: list[str] = field(default_factory=list)
    encrypted: list[bool] = field(default_factory=list)
    refuse_sender: str = ""
    refuse_recipient: str = ""
    refuse_login: str = ""
    quit_badly: bool = False
    must_sign_in: bool = False

    def _next(self) -> str:
        return self.script[0] if self.script else ""

    async def handle_EHLO(  # noqa: N802 - aiosmtpd's name
        self, server: Any, session: Any, envelope: Any, hostname: str, responses: list[str]
    ) -> list[str]:
        session.host_name = hostname
        self.commands.append(f"EHLO {hostname}")
        return responses

    async def handle_MAIL(  # noqa: N802 - as above
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        self.commands.append(f"MAIL {address} {' '.join(options)}")
        if self.must_sign_in and not session.authenticated:
            return "530 5.7.0 Authentication required"
        if self.refuse_sender:
            return self.refuse_sender
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(  # noqa: N802 - as above
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        self.commands.append(f"RCPT {address}")
        if self._next() == "break before data":
            self.script.pop(0)
            server.transport.abort()
            return "421 gone"
        if self.refuse_recipient:
            return self.refuse_recipient
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802 - as above
        doing = self.script.pop(0) if self.script else ""
        if doing[:1].isdigit():
            return doing
        if doing != "lose after data":
            self._take(server, envelope.content)
        if doing in {"break after data", "lose after data"}:
            server.transport.abort()
        self.quit_badly = doing == "quit badly"
        return "250 taken"

    async def handle_QUIT(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802 - as above
        return "421 not today" if self.quit_badly else "221 bye"

    def _take(self, server: Any, content: bytes) -> None:
        letter = email.message_from_bytes(content, policy=email.policy.default)
        assert isinstance(letter, EmailMessage)
        self.raw.append(content)
        self.taken.append(letter)
        self.encrypted.append(server.transport.get_extra_info("sslcontext") is not None)

    def authenticate(self, *words: Any) -> Any:
        found = words[-1]
        assert isinstance(found, LoginPassword)
        self.signed_in.append((found.login, found.password))
        if self.refuse_login:
            return AuthResult(success=False, handled=False, message=self.refuse_login)
        is_right = (found.login, found.password) == (USER.encode(), PASSWORD.encode())
        return AuthResult(success=is_right, handled=False)


def client_settings(port: int, security: Security, **more: Any) -> MailSettings:
    values: dict[str, Any] = {"to": TO, "sender": SENDER, "host": "127.0.0.1"}
    return MailSettings(**(values | {"port": port, "security": security} | more))


@cache
def _certificate() -> str:
    """One for all servers of a run: making one takes a while."""
    folder = tempfile.mkdtemp(prefix="mail-certificate-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return new_certificate(Path(folder), name="mail")


@contextmanager
def mail_server(
    folder: Path,
    *,
    security: Security = Security.STARTTLS,
    port: int | None = None,
    login: bool = False,
    size: int = 33_554_432,
    starttls: bool = True,
) -> Iterator[MailServer]:
    """Run one. ``login``: nothing goes without; ``starttls`` false: it is not offered.

    Trust its certificate by ``SSL_CERT_FILE``. ``folder``: where the file ``password`` would be.
    """
    certificate = _certificate()
    port = port or free_ports(1)
    made = MailServer(
        settings=client_settings(
            port,
            security,
            **({"user": USER, "password_from": f"file:{folder}/password"} if login else {}),
        ),
        certificate=certificate,
        must_sign_in=login,
    )
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(certificate)
    more: dict[str, Any] = {
        "authenticator": made.authenticate,
        "data_size_limit": size,
        "auth_require_tls": security is Security.STARTTLS and starttls,
    }
    if security is Security.TLS:
        more["ssl_context"] = context
    elif security is Security.STARTTLS and starttls:
        more |= {"tls_context": context, "require_starttls": True}
    server = Controller(made, hostname="127.0.0.1", port=port, **more)
    server.start()
    try:
        yield made
    finally:
        server.stop()
