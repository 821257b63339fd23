"""Whether the line is metered, as NetworkManager says (its published D-Bus interface).

``org.freedesktop.NetworkManager``, property ``Metered`` (enumeration ``NMMetered``): 0 unknown,
1 yes, 2 no, 3 guessed yes, 4 guessed no.

Promises:
1. Where nobody can be asked the answer is None, never a guess of ours.
2. Nobody waits for the bus: a thread of its own listens, and asks again every ``AGAIN_S`` anyhow.
3. Asking starts no NetworkManager where none runs.
"""

import socket
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from types import MappingProxyType
from typing import Any, Final

from jeepney import (
    DBusAddress,
    MatchRule,
    MessageFlag,
    MessageType,
    Properties,
)
from jeepney.bus_messages import DBus
from jeepney.io.blocking import DBusConnection, open_dbus_connection

SYSTEM_BUS: Final = "unix:path=/run/dbus/system_bus_socket"
AGAIN_S: Final = 60.0
ANSWER_S: Final = 5.0
_PATH: Final = "/org/freedesktop/NetworkManager"
_NAME: Final = "org.freedesktop.NetworkManager"
_MEANING: Final[Mapping[object, bool]] = MappingProxyType({1: True, 2: False, 3: True, 4: False})


def system_bus(environ: Mapping[str, str]) -> str:
    """Address of the system's bus (D-Bus Specification, "System message bus")."""
    return environ.get("DBUS_SYSTEM_BUS_ADDRESS", "") or SYSTEM_BUS


class MeteredWatch:
    """Knows whether the line is metered.

    Args:
        bus: address of the system's bus.
        changed: called, from a thread of its own, when the answer is another one.
    """

    def __init__(self, bus: str, changed: Callable[[], None]) -> None:
        self._bus = bus
        self._changed = changed
        self._answer: bool | None = None
        self._stopped = threading.Event()
        self._line: DBusConnection | None = None
        self._thread = threading.Thread(target=self._run, name="metered", daemon=True)

    def is_metered(self) -> bool | None:
        """The last answer; None: not known."""
        return self._answer

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """End it; back within seconds."""
        self._stopped.set()
        line = self._line
        if line is not None:
            with suppress(OSError):
                line.sock.shutdown(socket.SHUT_RDWR)  # wakes the one that listens
        self._thread.join(ANSWER_S)

    def _run(self) -> None:
        while not self._stopped.is_set():
            try:
                with open_dbus_connection(self._bus) as line:
                    self._line = line
                    self._listen(line)
            except Exception:  # noqa: BLE001 - whatever a bus may do, the work goes on
                self._take(None)
            self._line = None
            self._stopped.wait(AGAIN_S)

    def _listen(self, line: DBusConnection) -> None:
        rule = MatchRule(type="signal", path=_PATH)
        line.send_and_get_reply(DBus().AddMatch(rule), timeout=ANSWER_S)
        while not self._stopped.is_set():
            self._take(_asked(line))
            with suppress(TimeoutError):
                line.receive(timeout=AGAIN_S)

    def _take(self, answer: bool | None) -> None:  # noqa: FBT001 - an answer, no switch
        if answer is not self._answer:
            self._answer = answer
            if not self._stopped.is_set():
                self._changed()


def _asked(line: DBusConnection) -> bool | None:
    """What the service says now."""
    address = DBusAddress(_PATH, bus_name=_NAME, interface=_NAME)
    call = Properties(address).get("Metered")
    call.header.flags |= MessageFlag.no_auto_start
    answer = line.send_and_get_reply(call, timeout=ANSWER_S)
    if answer.header.message_type is MessageType.error:
        return None
    return _meant(answer.body)


def _meant(body: Any) -> bool | None:  # noqa: ANN401 - whatever came over the bus
    """The meaning of a variant that holds one unsigned number."""
    try:
        ((kind, value),) = body
    except (TypeError, ValueError):
        return None
    return _MEANING.get(value) if kind == "u" else None
