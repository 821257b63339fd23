"""A bad line to a store: a proxy on loopback on which misfortunes happen, request by request.

Like a line, it changes nothing by itself: what comes out well came through byte for byte.
"""

import socket
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from tests.world.misfortunes import Fate, Fates, Misfortune

PAGE = b"<html><head><title>Harbour Guest Network</title></head><body>Log in.</body></html>"
_XML = (
    b'<?xml version="1.0" encoding="UTF-8"?>\n<Error><Code>%b</Code><Message>no</Message></Error>'
)
_LATER = 3
"""After so many further requests a late one comes once more."""
_MOMENT_S = 0.01
_INSTEAD = {
    Misfortune.BROKEN,
    Misfortune.BUSY,
    Misfortune.PAGE,
    Misfortune.EMPTY,
    Misfortune.REDIRECT,
}
_AFTER = {Misfortune.BUSY_AFTER: Misfortune.BUSY, Misfortune.PAGE_AFTER: Misfortune.PAGE}

_BROKEN_OFF = {Misfortune.DEAF, Misfortune.RESET, Misfortune.CUT_BACK, Misfortune.LOST}


def _said(status: bytes, kind: bytes, body: bytes, more: bytes = b"") -> bytes:
    head = b"HTTP/1.1 %b\r\nContent-Type: %b\r\nContent-Length: %d\r\n%b\r\n"
    return head % (status, kind, len(body), more) + body


FALSE: dict[Misfortune, bytes] = {
    Misfortune.BROKEN: _said(b"500 Broken", b"application/xml", _XML % b"InternalError"),
    Misfortune.BUSY: _said(b"503 Busy", b"application/xml", _XML % b"SlowDown"),
    Misfortune.PAGE: _said(b"200 OK", b"text/html", PAGE),
    Misfortune.EMPTY: _said(b"200 OK", b"text/plain", b""),
    Misfortune.REDIRECT: _said(
        b"302 Found", b"text/html", PAGE, b"Location: http://127.0.0.1:9/login\r\n"
    ),
}


@dataclass(kw_only=True)
class BadLine:
    """The line. Without ``fates`` it is a good one."""

    url: str = ""
    fates: Fates | None = None
    store: tuple[str, int] = ("", 0)
    late: list[tuple[int, bytes]] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def turn_good(self) -> None:
        """From now on all goes well. What was late comes now: before anybody trusts the line."""
        with self.lock:
            due, self.late, self.fates = self.late, [], None
        for _, request in due:
            self.ask_anew(request)

    def ask_anew(self, request: bytes) -> None:
        """Ask the store on a connection of its own; nobody hears the answer."""
        with suppress(OSError), socket.create_connection(self.store, timeout=10) as store:
            store.sendall(request)
            _Reader(store).answer(request)

    def due(self) -> list[bytes]:
        """What was late and comes now."""
        with self.lock:
            self.late = [(left - 1, request) for left, request in self.late]
            due = [request for left, request in self.late if left <= 0]
            self.late = [one for one in self.late if one[0] > 0]
        return due


class _Reader:
    """Takes whole requests and answers off a connection."""

    def __init__(self, end: socket.socket) -> None:
        self._end = end
        self._held = b""

    def _more(self) -> None:
        piece = self._end.recv(256 * 1024)
        if not piece:
            raise ConnectionError("hung up")
        self._held += piece

    def _until(self, mark: bytes) -> bytes:
        while mark not in self._held:
            self._more()
        taken, _, self._held = self._held.partition(mark)
        return taken + mark

    def _bytes(self, size: int) -> bytes:
        pieces, missing = [self._held[:size]], size - len(self._held[:size])
        self._held = self._held[size:]
        while missing > 0:
            piece = self._end.recv(min(missing, 1024 * 1024))
            if not piece:
                raise ConnectionError("hung up")
            pieces.append(piece)
            missing -= len(piece)
        return b"".join(pieces)

    def request(self) -> tuple[bytes, bytes]:
        """Head and body of the next request. Who waits to be told to go on is told."""
        head = self._until(b"\r\n\r\n")
        lines = head.split(b"\r\n")
        kept = [line for line in lines if not line.lower().startswith(b"expect:")]
        if len(kept) != len(lines):
            self._end.sendall(b"HTTP/1.1 100 Continue\r\n\r\n")
        return b"\r\n".join(kept), self._bytes(int(_header(head, b"content-length") or 0))

    def answer(self, request: bytes) -> tuple[bytes, bytes]:
        """Head and body of the next answer."""
        head = self._until(b"\r\n\r\n")
        while head.startswith(b"HTTP/1.1 100"):
            head = self._until(b"\r\n\r\n")
        status = head.split(b" ", 2)[1]
        if request.startswith(b"HEAD ") or status in {b"204", b"304"}:
            return head, b""
        if _header(head, b"transfer-encoding").lower() == b"chunked":
            return head, self._chunks()
        return head, self._bytes(int(_header(head, b"content-length") or 0))

    def _chunks(self) -> bytes:
        whole = b""
        while True:
            line = self._until(b"\r\n")
            size = int(line.partition(b";")[0], 16)
            whole += line + self._bytes(size + 2)
            if size == 0:
                return whole


def _header(head: bytes, name: bytes) -> bytes:
    for line in head.split(b"\r\n"):
        key, _, value = line.partition(b":")
        if key.lower() == name:
            return value.strip()
    return b""


def _flipped(data: bytes, fate: Fate) -> bytes:
    if not data:
        return data
    at = int(fate.where * len(data))
    return data[:at] + bytes((data[at] ^ fate.bit,)) + data[at + 1 :]


class _Call:
    """One connection of a caller, and one to the store for each of its requests."""

    def __init__(self, line: BadLine, caller: socket.socket) -> None:
        self.line = line
        self.caller = caller
        self._ended = threading.Event()

    def hang_up(self) -> None:
        self._ended.set()
        with suppress(OSError):
            self.caller.shutdown(socket.SHUT_RDWR)

    def run(self) -> None:
        reader = _Reader(self.caller)
        with suppress(OSError, ValueError, IndexError):
            while self._serve(*reader.request()):
                for request in self.line.due():
                    self.line.ask_anew(request)
        self.caller.close()

    def _serve(self, head: bytes, body: bytes) -> bool:
        """One request; whether the connection is of further use."""
        method, address, _ = head.decode("latin-1").split(" ", 2)
        fates = self.line.fates
        fate = fates.of(method, address) if fates else None
        if fate is None:
            self.caller.sendall(b"".join(self._asked(head, body)))
            return True
        if fate.what in _INSTEAD:
            self.caller.sendall(FALSE[fate.what])
            return fate.what is not Misfortune.PAGE
        if fate.what in {Misfortune.DROPPED, Misfortune.CUT_FORTH, Misfortune.SILENT}:
            return self._not_asked(head + body, fate)
        return self._answered(*self._badly_asked(head, body, fate), fate)

    def _not_asked(self, request: bytes, fate: Fate) -> bool:
        if fate.what is Misfortune.CUT_FORTH:
            with socket.create_connection(self.line.store, timeout=10) as store:
                store.sendall(request[: int(len(request) * fate.where)])
        if fate.what is Misfortune.SILENT:
            self._wait_until_they_give_up()
        return False

    def _wait_until_they_give_up(self) -> None:
        with suppress(OSError):
            while not self._ended.is_set() and self.caller.recv(64 * 1024):
                pass

    def _badly_asked(self, head: bytes, body: bytes, fate: Fate) -> tuple[bytes, bytes]:
        request = head + body
        if fate.what is Misfortune.FLIPPED_FORTH:
            head, body = (head, _flipped(body, fate)) if body else (_flipped(head, fate), body)
        if fate.what is Misfortune.FLIPPED_HEAD:
            head = _flipped(head, fate)
        if fate.what is Misfortune.TWICE:
            self._asked(head, body)
        if fate.what is Misfortune.LATE:
            with self.line.lock:
                self.line.late.append((_LATER, request))
        return self._asked(head, body)

    def _asked(self, head: bytes, body: bytes) -> tuple[bytes, bytes]:
        """Ask the store; a request that it can't make anything of brings a broken connection."""
        with socket.create_connection(self.line.store, timeout=10) as store:
            store.settimeout(2)  # a flipped length makes it wait for what never comes
            store.sendall(head)
            store.sendall(body)
            return _Reader(store).answer(head)

    def _answered(self, head: bytes, body: bytes, fate: Fate) -> bool:
        what = fate.what
        if what in _AFTER:
            self.caller.sendall(FALSE[_AFTER[what]])
            return False
        if what in _BROKEN_OFF:
            self._broken_off(head + body, fate)
            return False
        if what is Misfortune.FLIPPED_BACK and body:
            body = _flipped(body, fate)
        elif what in {Misfortune.FLIPPED_BACK, Misfortune.FLIPPED_HEAD_BACK}:
            head = _flipped(head, fate)
        elif what is Misfortune.SLOW:
            time.sleep(_MOMENT_S)  # the misfortune itself: an answer that is late
        self.caller.sendall(head + body)
        return what not in {Misfortune.FLIPPED_BACK, Misfortune.FLIPPED_HEAD_BACK}

    def _broken_off(self, answer: bytes, fate: Fate) -> None:
        if fate.what is Misfortune.DEAF:
            self._wait_until_they_give_up()
        if fate.what in {Misfortune.RESET, Misfortune.CUT_BACK}:
            self.caller.sendall(answer[: int(len(answer) * fate.where)])
        if fate.what is Misfortune.RESET:
            self.caller.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


@contextmanager
def bad_line_to(url: str) -> Iterator[BadLine]:
    """A line to the store at ``url``, on a free port of the loopback; good until it is told."""
    address = urlsplit(url)
    listener = socket.create_server(("127.0.0.1", 0), backlog=64)
    line = BadLine(
        url=f"http://127.0.0.1:{listener.getsockname()[1]}",
        store=(str(address.hostname), address.port or 80),
    )
    calls: list[tuple[_Call, threading.Thread]] = []

    def serve() -> None:
        while True:
            try:
                caller, _ = listener.accept()
            except OSError:
                return
            caller.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            call = _Call(line, caller)
            thread = threading.Thread(target=call.run)
            calls[:] = [one for one in calls if one[1].is_alive()]
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
