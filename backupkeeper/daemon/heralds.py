"""Ways of telling a person at once: the desktop, a program of their own; mails are ``daemon.mailbox``'s.

Promises:
1. A failure is a sentence, never an exception, and takes seconds at most.
2. Nothing in a text can forge a line or markup.
3. The person's program gets the text on its standard input, never through a shell.
"""

import html
import subprocess
from collections.abc import Mapping, Sequence
from typing import Final

from jeepney import DBusAddress, HeaderFields, MessageType, new_method_call
from jeepney.io.blocking import open_dbus_connection

from backupkeeper.core.environ import without_keys
from backupkeeper.report.words import told

DESKTOP_S: Final = 5.0
COMMAND_S: Final = 30.0
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
        environ: its environment, from which the bucket's keys are taken out, and to which
            ``BACKUPKEEPER_SUBJECT`` and ``BACKUPKEEPER_URGENT`` are added.
    """

    name = "command"

    def __init__(self, command: Sequence[str], environ: Mapping[str, str]) -> None:
        self._command = tuple(command)
        self._environ = without_keys(environ)

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
