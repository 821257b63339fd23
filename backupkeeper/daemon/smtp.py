"""One mail to the server, step by step: name, connection, TLS, signing in, handing over.

Promises:
1. A failure is a value, never an exception; a password stands in none, also where the server says it
   back.
2. Nothing but the greeting goes over a line that is not encrypted, unless ``security`` is ``none``
   (which the configuration allows only to this machine): a server that does not offer STARTTLS, or
   whose certificate is not trusted, gets neither name, password nor mail.
3. Once the server has taken the mail (its 250 after the data, RFC 5321 section 4.2.5), nothing that
   comes after is a failure.
4. The answer to the data is waited for ten minutes (RFC 5321 section 4.5.3.2.6): who hangs up
   earlier makes doubles (RFC 1047).
"""

import re
import smtplib
import socket
import ssl
from base64 import b64encode
from collections.abc import Callable
from contextlib import suppress
from typing import Final

from backupkeeper.config import MailSettings, Security
from backupkeeper.core.errors import BackupkeeperError, ConfigError
from backupkeeper.core.mailing import Hitch, Sending, Stage, StageDone
from backupkeeper.report.words import told

ANSWER_S: Final = 30.0
DATA_S: Final = 600.0
_SENDER_NAME: Final = "backupkeeper"
_HOST: Final = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?(?:\.[A-Za-z0-9-]+)*")
_LATER: Final = range(400, 500)
_NO_ANSWER: Final = -1
"""What smtplib gives as a code where an answer is no SMTP."""
_OK: Final = range(200, 300)
_SIGN_IN_FIRST: Final = 530
_TOO_LARGE: Final = 552
_AUTH_METHODS: Final = frozenset({"CRAM-MD5", "PLAIN", "LOGIN"})


class _StoppedError(Exception):
    """Carries a hitch out of the walk; never leaves this module."""

    def __init__(self, hitch: Hitch, said: str) -> None:
        super().__init__(said)
        self.hitch = hitch
        self.said = said


def addressed(settings: MailSettings, message: bytes) -> bytes:
    """The whole mail: who it is from and to, then the rest."""
    sender = settings.sender or settings.to
    head = f"From: {_SENDER_NAME} <{sender}>\r\nTo: {settings.to}\r\n"
    return head.encode("ascii") + message


class SmtpMailer:
    """``ports.outbox.Mailer`` over SMTP.

    Args:
        settings: the server and the addresses.
        password: gives the password, or raises one of our errors; asked for only when needed.
        hostname: of this machine, for the greeting.
    """

    def __init__(
        self, settings: MailSettings, *, password: Callable[[], str], hostname: str
    ) -> None:
        self._settings = settings
        self._password = password
        self._hostname = hostname if _HOST.fullmatch(hostname) else "[127.0.0.1]"

    def send(self, message: bytes) -> Sending:
        """Send it."""
        walk, password, hitch = _Walk(self._settings, self._hostname), "", None
        try:
            password = self._asked_password(walk)
            said = walk.through(addressed(self._settings, message), password)
        except _StoppedError as stopped:
            said, hitch = stopped.said, stopped.hitch
        finally:
            walk.close()
        hushed = _hushed(said, self._settings.user, password)
        return Sending(
            done=tuple(walk.done), stage=walk.stage, hitch=hitch, said=told(hushed).strip()
        )

    def _asked_password(self, walk: "_Walk") -> str:
        if not self._settings.user:
            return ""
        walk.begin(Stage.PASSWORD)
        try:
            password = self._password()
        except ConfigError as error:
            wanted = "; ".join(f"{one.value} is not {one.wanted}" for one in error.faults)
            raise _StoppedError(Hitch.NO_PASSWORD, wanted) from None
        except BackupkeeperError as error:
            raise _StoppedError(Hitch.NO_PASSWORD, error.message) from None
        walk.end(self._settings.password_from.partition(":")[0])
        return password


class _Walk:
    """One connection."""

    def __init__(self, settings: MailSettings, hostname: str) -> None:
        self._settings = settings
        self._hostname = hostname
        self._server: smtplib.SMTP | None = None
        self._taken = False
        self.done: list[StageDone] = []
        self.stage = Stage.NAME

    def begin(self, stage: Stage) -> None:
        self.stage = stage

    def end(self, detail: str = "") -> None:
        self.done.append(StageDone(stage=self.stage, detail=told(detail)))

    def through(self, data: bytes, password: str) -> str:
        """All steps; the server's answer to the data."""
        try:
            server = self._connected()
            if self._settings.security is Security.STARTTLS:
                self._start_tls(server)
            if self._settings.user:
                self._sign_in(server, password)
            return self._hand_over(server, data)
        except (smtplib.SMTPServerDisconnected, ConnectionError) as error:
            raise _StoppedError(Hitch.BROKEN, _words(error)) from None
        except ssl.SSLCertVerificationError as error:
            raise _StoppedError(Hitch.NOT_TRUSTED, error.verify_message) from None
        except ssl.SSLError as error:
            raise _StoppedError(Hitch.NO_TLS, error.reason or _words(error)) from None
        except OSError as error:
            # Among them a time that ran out, and smtplib's own errors where no step knew better.
            hitch = Hitch.REFUSED if isinstance(error, smtplib.SMTPException) else Hitch.NO_ANSWER
            raise _StoppedError(hitch, _words(error)) from None
        except ValueError as error:  # a line without end, or one that is no text
            raise _StoppedError(Hitch.NO_MAIL_SERVER, _words(error)) from None

    def close(self) -> None:
        """Say goodbye where that can be; whatever comes of it changes nothing."""
        if self._server is None:
            return
        with suppress(OSError, ValueError):
            if self._taken and self._server.sock is not None:
                self._server.sock.settimeout(ANSWER_S)
                self._server.quit()
        with suppress(OSError, ValueError):
            self._server.close()

    def _connected(self) -> smtplib.SMTP:
        settings = self._settings
        self.begin(Stage.NAME)
        try:
            found = socket.getaddrinfo(settings.host, settings.port, type=socket.SOCK_STREAM)
        except (socket.gaierror, UnicodeError) as error:
            raise _StoppedError(Hitch.NAME_NOT_FOUND, _words(error)) from None
        self.end(str(found[0][4][0]))
        self.begin(Stage.CONNECT)
        try:
            server = self._opened()
        except smtplib.SMTPConnectError as error:
            hitch = Hitch.LATER if error.smtp_code in _LATER else Hitch.NO_MAIL_SERVER
            raise _StoppedError(hitch, _answer(error.smtp_code, error.smtp_error)) from None
        except smtplib.SMTPServerDisconnected as error:
            raise _StoppedError(Hitch.NO_ANSWER, _words(error)) from None
        except ssl.SSLError:
            self.end(f"port {settings.port}")  # it was open: what failed is the next step
            self.begin(Stage.TLS)
            raise
        except ConnectionRefusedError as error:
            raise _StoppedError(Hitch.PORT_CLOSED, _words(error)) from None
        self._server = server
        self.end(f"port {settings.port}")
        if settings.security is Security.TLS:
            self.begin(Stage.TLS)
            self.end(_tls_version(server))
        self._greet(server)
        return server

    def _opened(self) -> smtplib.SMTP:
        settings, name = self._settings, self._hostname
        if settings.security is Security.TLS:
            return smtplib.SMTP_SSL(
                settings.host, settings.port, name, timeout=ANSWER_S, context=_trusting()
            )
        return smtplib.SMTP(settings.host, settings.port, name, timeout=ANSWER_S)

    def _greet(self, server: smtplib.SMTP) -> None:
        try:
            server.ehlo_or_helo_if_needed()
        except smtplib.SMTPHeloError as error:
            hitch = Hitch.LATER if error.smtp_code in _LATER else Hitch.REFUSED
            raise _StoppedError(hitch, _answer(error.smtp_code, error.smtp_error)) from None

    def _start_tls(self, server: smtplib.SMTP) -> None:
        self.begin(Stage.TLS)
        if not server.has_extn("starttls"):
            raise _StoppedError(Hitch.NO_STARTTLS, "")
        try:
            server.starttls(context=_trusting())
        except smtplib.SMTPResponseException as error:
            hitch = Hitch.LATER if error.smtp_code in _LATER else Hitch.NO_STARTTLS
            raise _StoppedError(hitch, _answer(error.smtp_code, error.smtp_error)) from None
        self.end(_tls_version(server))
        self._greet(server)

    def _sign_in(self, server: smtplib.SMTP, password: str) -> None:
        self.begin(Stage.SIGN_IN)
        offered = set(server.esmtp_features.get("auth", "").upper().split())
        if not offered & _AUTH_METHODS:
            raise _StoppedError(Hitch.NO_SIGN_IN, " ".join(sorted(offered)))
        try:
            if password.isascii():
                server.login(self._settings.user, password)
            else:
                _plain_login(server, self._settings.user, password)
        except smtplib.SMTPResponseException as error:
            hitch = Hitch.LATER if error.smtp_code in _LATER else Hitch.WRONG_PASSWORD
            raise _StoppedError(hitch, _answer(error.smtp_code, error.smtp_error)) from None
        except (smtplib.SMTPNotSupportedError, UnicodeError):
            raise _StoppedError(Hitch.NO_SIGN_IN, " ".join(sorted(offered))) from None
        self.end(self._settings.user)

    def _hand_over(self, server: smtplib.SMTP, data: bytes) -> str:
        self.begin(Stage.HAND_OVER)
        most = server.esmtp_features.get("size", "")
        if most.isascii() and most.isdigit() and 0 < int(most) < len(data):
            raise _StoppedError(Hitch.TOO_LARGE, f"It takes mails of up to {int(most)} bytes.")
        sender = self._settings.sender or self._settings.to
        options = [f"SIZE={len(data)}"] if server.has_extn("size") else []
        _must_be_ok(server.mail(sender, options), Hitch.SENDER_REFUSED)
        _must_be_ok(server.rcpt(self._settings.to), Hitch.RECIPIENT_REFUSED)
        code, answer = server.docmd("DATA")
        if code != 354:  # noqa: PLR2004 - RFC 5321 section 4.1.1.4: the one way to go on
            _must_be_ok((code, answer), Hitch.REFUSED)
            raise _StoppedError(Hitch.REFUSED, _answer(code, answer))
        server.send(_stuffed(data))
        if server.sock is not None:
            server.sock.settimeout(DATA_S)
        try:
            server.send(b".\r\n")
            code, answer = server.getreply()
        except (OSError, smtplib.SMTPException) as error:
            raise _StoppedError(Hitch.UNCERTAIN, _words(error)) from None
        _must_be_ok((code, answer), Hitch.REFUSED)
        self._taken = True
        self.end()
        return _answer(code, answer)


def _trusting() -> ssl.SSLContext:
    """Certificates of this machine's store, names compared, TLS 1.2 at least (Python's default)."""
    return ssl.create_default_context()


def _tls_version(server: smtplib.SMTP) -> str:
    version = server.sock.version() if isinstance(server.sock, ssl.SSLSocket) else None
    return version or ""


def _plain_login(server: smtplib.SMTP, user: str, password: str) -> None:
    """AUTH PLAIN in UTF-8 (RFC 4616); smtplib's own knows ASCII only."""
    if "PLAIN" not in server.esmtp_features.get("auth", "").upper().split():
        raise smtplib.SMTPNotSupportedError
    words = b64encode(f"\0{user}\0{password}".encode("utf-8", "surrogateescape")).decode("ascii")
    code, answer = server.docmd("AUTH", f"PLAIN {words}")
    if code != 235:  # noqa: PLR2004 - RFC 4954 section 4: signed in
        raise smtplib.SMTPAuthenticationError(code, answer)


def _stuffed(data: bytes) -> bytes:
    """Line ends as CR LF, a dot before every dot that begins a line (RFC 5321 section 4.5.2)."""
    lines = re.sub(rb"\r\n|\r|\n", b"\r\n", data)
    if not lines.endswith(b"\r\n"):
        lines += b"\r\n"
    return re.sub(rb"(?m)^\.", b"..", lines)


def _must_be_ok(reply: tuple[int, bytes], otherwise: Hitch) -> None:
    code, answer = reply
    if code in _OK:
        return
    hitch = otherwise
    if code in _LATER:
        hitch = Hitch.LATER
    elif code == _SIGN_IN_FIRST:
        hitch = Hitch.MUST_SIGN_IN
    elif code == _TOO_LARGE:
        hitch = Hitch.TOO_LARGE
    elif code == _NO_ANSWER:
        hitch = Hitch.NO_MAIL_SERVER
    raise _StoppedError(hitch, _answer(code, answer))


def _answer(code: int, answer: bytes | str) -> str:
    text = answer if isinstance(answer, str) else answer.decode("utf-8", "backslashreplace")
    said = " ".join(text.split())
    return f"{code} {said}" if code > 0 else said


def _hushed(said: str, user: str, password: str) -> str:
    """A server's words without the password, as it is or as it was sent (RFC 4616, LOGIN)."""
    sent = (
        f"{before}{password}".encode("utf-8", "surrogateescape") for before in ("", f"\0{user}\0")
    )
    encoded = (b64encode(one).decode("ascii").rstrip("=") for one in sent)
    for form in (password, " ".join(password.split()), *encoded):
        if password and form:
            said = said.replace(form, "(not shown)")
    return said


def _words(error: BaseException) -> str:
    """What the system says of it, without numbers."""
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
