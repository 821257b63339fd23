"""A line to a store that counts what travels and breaks when it is told to: a proxy on loopback."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from urllib.parse import urlsplit


@dataclass(kw_only=True)
class Line:
    """What travelled, in bytes, and what shall break.

    ``cut_at`` breaks a connection once it has brought so many bytes back. ``needle`` breaks it
    when a request holds these bytes: before the store sees them, or with ``answer_lost`` once the
    store has answered. Either happens ``times`` times.
    """

    url: str = ""
    received: int = 0
    sent: int = 0
    cut_at: int | None = None
    needle: bytes | None = None
    answer_lost: bool = False
    times: int = 0
    cuts: int = 0
    mark: int | None = None
    """Once so many bytes were sent, ``reached`` is set."""
    reached: threading.Event = field(default_factory=threading.Event)
    lock: threading.Lock = field(default_factory=threading.Lock)
    calls: "list[tuple[_Call, threading.Thread]]" = field(default_factory=list)

    def hang_up(self) -> None:
        """Break every connection that is open now, as a store does with one that stands still."""
        for call, _ in list(self.calls):
            call.hang_up()

    def forget(self) -> None:
        """Count from nought."""
        with self.lock:
            self.received = self.sent = self.cuts = 0

    def more_sent(self, size: int) -> None:
        """Count what the caller sends."""
        with self.lock:
            self.sent += size
            if self.mark is not None and self.sent >= self.mark:
                self.reached.set()

    def watch(self, further: int) -> None:
        """Have ``reached`` set once so many more bytes were sent."""
        with self.lock:
            self.reached.clear()
            self.mark = self.sent + further

    def breaks(self) -> bool:
        """Whether one more break is due; takes it."""
        with self.lock:
            if self.times <= 0:
                return False
            self.times -= 1
            self.cuts += 1
            return True


class _Call:
    """One connection."""

    def __init__(self, line: Line, caller: socket.socket, store: socket.socket) -> None:
        self.line = line
        self.ends = (caller, store)
        self.brought = 0
        self.loses = False

    def hang_up(self) -> None:
        for end in self.ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def run(self) -> None:
        back = threading.Thread(target=self._back)
        back.start()
        self._forth()
        back.join()
        for end in self.ends:
            end.close()

    def _forth(self) -> None:
        caller, store = self.ends
        with suppress(OSError):
            while data := caller.recv(256 * 1024):
                self.line.more_sent(len(data))
                if self.line.needle and self.line.needle in data and self.line.breaks():
                    if not self.line.answer_lost:
                        break
                    self.loses = True
                store.sendall(data)
        self.hang_up()

    def _back(self) -> None:
        caller, store = self.ends
        with suppress(OSError):
            while data := store.recv(64 * 1024):
                if self.loses and not data.startswith(b"HTTP/1.1 100"):
                    break
                cut = self.line.cut_at
                if cut is not None and self.brought + len(data) >= cut and self.line.breaks():
                    self._bring(caller, data[: cut - self.brought])
                    break
                self._bring(caller, data)
        self.hang_up()

    def _bring(self, caller: socket.socket, data: bytes) -> None:
        self.brought += len(data)
        with self.line.lock:
            self.line.received += len(data)
        caller.sendall(data)


@contextmanager
def line_to(url: str) -> Iterator[Line]:
    """A line to the store at ``url``, on a free port of the loopback."""
    address = urlsplit(url)
    listener = socket.create_server(("127.0.0.1", 0))
    line = Line(url=f"http://127.0.0.1:{listener.getsockname()[1]}")
    calls = line.calls

    def serve() -> None:
        while True:
            try:
                caller, _ = listener.accept()
            except OSError:
                return
            store = socket.create_connection((str(address.hostname), address.port or 80))
            call = _Call(line, caller, store)
            thread = threading.Thread(target=call.run)
            calls.append((call, thread))
            thread.start()

    server = threading.Thread(target=serve)
    server.start()
    try:
        yield line
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        server.join()
        for call, thread in calls:
            call.hang_up()
            thread.join()
