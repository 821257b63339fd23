"""Hearing that the line may be back: an address or a route came up, as the kernel tells.

Linux's routing socket (rtnetlink(7)): a datagram of messages, each behind a header of 16 bytes (netlink(7)).
Where there is none, or it may not be opened, nothing is heard: whoever waits for the line tries by the
clock anyhow.
"""

import select
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Final

SETTLE_S: Final = 2.0
"""After the first word others follow, and names can be asked for a little later."""
_GROUPS: Final = 0x10 | 0x40 | 0x100 | 0x400
"""RTMGRP_IPV4_IFADDR, RTMGRP_IPV4_ROUTE, RTMGRP_IPV6_IFADDR, RTMGRP_IPV6_ROUTE."""
_NEW_ADDRESS: Final = 20
_NEW_ROUTE: Final = 24
_HEADER: Final = struct.Struct("=IHHII")


class LineWatch:
    """Listens in a thread of its own.

    Args:
        came_up: called from it when a line may be there that was not.
    """

    def __init__(self, came_up: Callable[[], None]) -> None:
        self._came_up = came_up
        self._stopped = threading.Event()
        self._line: socket.socket | None = None
        self._bell, self._ear = socket.socketpair()
        self._thread = threading.Thread(target=self._run, name="line", daemon=True)

    def start(self) -> bool:
        """Begin; whether anything can be heard."""
        try:
            line = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, 0)
        except (AttributeError, OSError):
            return False
        line.bind((0, _GROUPS))
        line.settimeout(0.0)
        self._line = line
        self._thread.start()
        return True

    def stop(self) -> None:
        """End at once."""
        self._stopped.set()
        if self._line is not None:
            self._bell.send(b"!")
            self._thread.join(SETTLE_S)
            self._line.close()
            self._line = None
        self._bell.close()
        self._ear.close()

    def _run(self) -> None:
        while not self._stopped.is_set():
            if self._heard() and not self._stopped.wait(SETTLE_S):
                self._drain()
                self._came_up()

    def _heard(self) -> bool:
        if self._line is None:
            return False
        select.select([self._line, self._ear], [], [])
        if self._stopped.is_set():
            return False
        try:
            return is_up(self._line.recv(65536))
        except BlockingIOError:
            return False
        except OSError:  # more was told than fits: something changed
            return True

    def _drain(self) -> None:
        if self._line is not None:
            with suppress(OSError):
                while True:
                    self._line.recv(65536, socket.MSG_DONTWAIT)


def is_up(datagram: bytes) -> bool:
    """Whether any of its messages tells of an address or a route that came."""
    return any(kind in {_NEW_ADDRESS, _NEW_ROUTE} for kind in _kinds(datagram))


def _kinds(datagram: bytes) -> Iterator[int]:
    at = 0
    while at + _HEADER.size <= len(datagram):
        length, kind, *_ = _HEADER.unpack_from(datagram, at)
        yield kind
        at += max(_HEADER.size, (length + 3) & ~3)
