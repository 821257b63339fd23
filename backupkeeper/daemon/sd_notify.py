"""Telling systemd how the daemon is: the protocol of sd_notify(3) (STANDARDS section 9.4).

One datagram a call to the socket that ``NOTIFY_SOCKET`` names; without one nothing is done. The sign
of life is given by whoever made progress, never by a thread that only waits.
"""

import socket
from collections.abc import Callable, Mapping
from contextlib import suppress


class Supervisor:
    """What is told to systemd.

    Args:
        environ: ``NOTIFY_SOCKET``, ``WATCHDOG_USEC`` and ``WATCHDOG_PID`` are looked at.
        process: this process's id; signs of life asked of another are none of ours.
        seconds: a stopwatch (CLOCK_MONOTONIC on Linux, as systemd wants it).
    """

    def __init__(
        self, environ: Mapping[str, str], *, process: int, seconds: Callable[[], float]
    ) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._seconds = seconds
        self._alive_every_s = _half_of_watchdog(environ, process)
        self._last_alive = float("-inf")
        self._status = ""

    @property
    def alive_every_s(self) -> float | None:
        """How often a sign of life is wanted at least; None: never."""
        return self._alive_every_s

    def ready(self) -> None:
        """The daemon has begun its work."""
        self._send("READY=1")

    def reloading(self) -> None:
        """The configuration is being read anew; ``ready`` ends that."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={int(self._seconds() * 1_000_000)}")

    def stopping(self) -> None:
        """The daemon is ending."""
        self._send("STOPPING=1")

    def status(self, text: str) -> None:
        """One line for ``systemctl status``; said only where it is another than before."""
        line = " ".join(text.split())
        if line != self._status:
            self._status = line
            self._send(f"STATUS={line}")

    def more_time(self, seconds: float) -> None:
        """Starting or stopping will take so long from now."""
        self._send(f"EXTEND_TIMEOUT_USEC={int(seconds * 1_000_000)}")

    def alive(self) -> None:
        """The loop made progress; passed on no more often than is wanted."""
        if self._alive_every_s is None:
            return
        now = self._seconds()
        if now - self._last_alive >= self._alive_every_s / 2:
            self._last_alive = now
            self._send("WATCHDOG=1")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        # A supervisor that does not listen is no reason to stop working.
        with (
            suppress(OSError, ValueError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line,
        ):
            line.settimeout(1.0)
            line.sendto(text.encode("utf-8", "replace"), self._address)


def _half_of_watchdog(environ: Mapping[str, str], process: int) -> float | None:
    span, wanted = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", "")
    if not span.isdecimal() or int(span) == 0 or (wanted and wanted != str(process)):
        return None
    return int(span) / 2_000_000
