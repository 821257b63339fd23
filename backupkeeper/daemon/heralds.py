"""Ways of telling a person: the desktop, a program of their own, mail.

Promises:
1. A failure is a sentence, never an exception, and takes seconds at most.
2. Nothing in a text can forge a header, a line of another mail or markup.
3. The person's program gets the text on its standard input, never through a shell.
"""

import html
import smtplib
import ssl
import subprocess
from collections.abc import Callable, Mapping, Sequence
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import Final

from jeepney import DBusAddress, HeaderFields, MessageType, new_method_call
from jeepney.io.blocking import open_dbus_connection

from backupkeeper.config import MailSettings, Security
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.ports.clock import Clock, Entropy
from backupkeeper.report.words import told

DESKTOP_S: Final = 5.0
COMMAND_S: Final = 30.0
MAIL_S: Final = 30.0
_SERVICE: Final = DBusAddress(
    "/org/freedesktop/Notifications",
    bus_name="org.freedesktop.Notifications",
    interface="org.freedesktop.Notifications",
)
_URGENT, _NORMAL = 2, 1
"""Levels of the urgency hint (freedesktop Desktop Notifications 1.2)."""


class DesktopHerald:
    """The desktop, over D-Bus (freedesktop Desktop Notifications 1.2).

    Args:
        bus: address of the session's bus; empty: there is none.
    """

    name = "desktop"

    def __init__(self, bus: str) -> None:
        self._bus = bus

    def tell(self, *, subject: str, body: str, urgent: bool) -> str | None:
        """Show it; a sentence where nobody took it."""
        if not self._bus:
            return "There is no desktop here (no session bus)."
        values: tuple[object, ...] = (
            "backupkeeper",
            0,
            "",
            told(subject),
            html.escape("\n".join(map(told, body.splitlines()))),
            [],
            {"urgency": ("y", _URGENT if urgent else _NORMAL)},
            -1,
        )
        call = new_method_call(_SERVICE, "Notify", "susssasa{sv}i", values)
        try:
            with open_dbus_connection(self._bus) as connection:
                answer = connection.send_and_get_reply(call, timeout=DESKTOP_S)
        except Exception as error:  # noqa: BLE001 - whatever a bus may do, the work goes on
            return f"The desktop could not be told ({error})."
        if answer.header.message_type is MessageType.error:
            return f"The desktop refused it ({answer.header.fields[HeaderFields.error_name]})."
        return None


class CommandHerald:
    """A program of the person's own.

    Args:
        command: absolute path and arguments.
        environ: its environment, to which ``BACKUPKEEPER_SUBJECT`` and ``BACKUPKEEPER_URGENT`` are
            added.
    """

    name = "command"

    def __init__(self, command: Sequence[str], environ: Mapping[str, str]) -> None:
        self._command = tuple(command)
        self._environ = dict(environ)

    def tell(self, *, subject: str, body: str, urgent: bool) -> str | None:
        """Run it; a sentence where it failed."""
        added = {"BACKUPKEEPER_SUBJECT": told(subject), "BACKUPKEEPER_URGENT": str(int(urgent))}
        text = "\n".join(map(told, body.splitlines())) + "\n"
        try:
            done = subprocess.run(  # noqa: S603 - the person's own program, by its whole path
                self._command,
                input=text.encode("utf-8", "backslashreplace"),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env={**self._environ, **added},
                timeout=COMMAND_S,
                check=False,
                start_new_session=True,
            )
        except subprocess.TimeoutExpired:
            return f"{self._command[0]} did not end within {COMMAND_S:.0f} s and was ended."
        except (OSError, ValueError) as error:
            return f"{self._command[0]} could not be run ({error})."
        return None if done.returncode == 0 else f"{self._command[0]} ended with {done.returncode}."


class MailHerald:
    """Mail over SMTP, plain text.

    Args:
        settings: the server and the addresses.
        password: gives the password, or raises one of our errors; asked for only when needed.
        clock: for the date.
        entropy: for the message's id.
        hostname: of this machine, for the message's id.
    """

    name = "mail"

    def __init__(
        self,
        settings: MailSettings,
        *,
        password: Callable[[], str],
        clock: Clock,
        entropy: Entropy,
        hostname: str,
    ) -> None:
        self._settings = settings
        self._password = password
        self._clock = clock
        self._entropy = entropy
        self._hostname = hostname

    def tell(self, *, subject: str, body: str, urgent: bool) -> str | None:
        """Send it; a sentence where it could not be handed over."""
        try:
            self._send(self._message(subject, body, urgent=urgent))
        except BackupkeeperError as error:
            return f"No mail could be sent: {error.message}"
        except (OSError, smtplib.SMTPException, ssl.SSLError, ValueError) as error:
            return f"No mail could be sent ({told(str(error))})."
        return None

    def _message(self, subject: str, body: str, *, urgent: bool) -> EmailMessage:
        message = EmailMessage()
        message["Subject"] = told(subject)
        message["From"] = self._settings.sender or self._settings.to
        message["To"] = self._settings.to
        message["Date"] = format_datetime(self._clock.now())
        domain = "".join(c for c in self._hostname if c.isascii() and (c.isalnum() or c in ".-"))
        message["Message-ID"] = f"<{self._entropy.new_id()}@{domain or 'backupkeeper'}>"
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's absence note answers it
        if urgent:
            message["Importance"] = "high"  # RFC 2156
        message.set_content("\n".join(map(told, body.splitlines())) + "\n", charset="utf-8")
        return message

    def _send(self, message: EmailMessage) -> None:
        settings = self._settings
        context = ssl.create_default_context()
        if settings.security is Security.TLS:
            server: smtplib.SMTP = smtplib.SMTP_SSL(
                settings.host, settings.port, timeout=MAIL_S, context=context
            )
        else:
            server = smtplib.SMTP(settings.host, settings.port, timeout=MAIL_S)
        with server:
            if settings.security is Security.STARTTLS:
                server.starttls(context=context)
            if settings.user:
                server.login(settings.user, self._password())
            # Not send_message: that writes ">From" where a line begins with "From".
            sender, data = str(message["From"]), message.as_bytes(policy=SMTP)
            server.sendmail(sender, [settings.to], data)
