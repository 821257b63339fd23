"""A live page that is really served, of made-up sources, and a client that says just what it is told."""

import http.client
import json
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import Any

from backupkeeper.core.status import Status
from backupkeeper.daemon.page_desk import Desk
from backupkeeper.daemon.page_door import PageDoor
from backupkeeper.daemon.page_server import PageServer

TOKEN = "t0ken-" + "x" * 37
PAGE = "<!DOCTYPE html><style>p { color: red }</style><main id='report'>All is well.</main>"


@dataclass
class MadeUp:
    """Sources by hand. ``asked`` is what the daemon was asked for."""

    now: Status | None = None
    text: str = PAGE
    marks: int = 0
    pages: int = 0
    failure: Exception | None = None
    asked: list[tuple[str, Mapping[str, object]]] = field(default_factory=list)
    answer: dict[str, Any] | None = field(default_factory=dict)
    is_closed: bool = False
    threads: set[str] = field(default_factory=set)

    def status(self) -> Status | None:
        self.threads.add(threading.current_thread().name)
        return self.now

    def page(self) -> str:
        self.threads.add(threading.current_thread().name)
        self.pages += 1
        if self.failure is not None:
            raise self.failure
        return self.text

    def mark(self) -> object:
        return self.marks

    def ask(self, what: str, **values: object) -> Mapping[str, Any] | None:
        self.asked.append((what, values))
        return self.answer

    def close(self) -> None:
        self.is_closed = True


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: Mapping[str, str]
    text: str


@dataclass
class Stand:
    """A server that runs."""

    sources: MadeUp
    desk: Desk
    server: PageServer

    @property
    def host(self) -> str:
        return self.server.url.split("/")[2]

    def send(
        self,
        method: str = "GET",
        path: str = f"/{TOKEN}/",
        *,
        body: bytes | None = None,
        **headers: str | None,
    ) -> Answer:
        """One request; ``host=None`` leaves the header out, underscores are hyphens."""
        port = int(self.host.rpartition(":")[2])
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        sent = {"host": self.host} | {k.replace("_", "-"): v for k, v in headers.items()}
        if body is not None and "content-length" not in sent:
            sent["content-length"] = str(len(body))
        line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for key, value in sent.items():
            if value is not None:
                line.putheader(key, value)
        line.endheaders(body)
        got = line.getresponse()
        told = Answer(got.status, {k.lower(): v for k, v in got.getheaders()}, got.read().decode())
        line.close()
        return told

    def ask(self, *, origin: str | None = "", **wish: object) -> Answer:
        """As the page's script asks."""
        own = f"http://{self.host}" if origin == "" else origin
        return self.send(
            "POST",
            f"/{TOKEN}/ask",
            body=json.dumps(wish).encode(),
            origin=own,
            sec_fetch_site="same-origin",
            content_type="application/json",
        )

    @contextmanager
    def listening(self) -> Iterator["Feed"]:
        """Somebody looks on."""
        port = int(self.host.rpartition(":")[2])
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        line.request("GET", f"/{TOKEN}/feed", headers={"host": self.host})
        got = line.getresponse()
        try:
            yield Feed(got)
        finally:
            got.close()
            line.close()


@dataclass
class Feed:
    """Events as they come."""

    answer: http.client.HTTPResponse

    def next(self) -> tuple[str, str]:
        """Name and data of the next event; ('', '') at the end. Comments are passed over."""
        name = data = ""
        while line := self.answer.readline().decode():
            if line == "\n" and (name or data):
                return name, data
            key, _, value = line.rstrip("\n").partition(": ")
            name, data = (
                (value, data) if key == "event" else (name, value if key == "data" else data)
            )
        return "", ""

    def parts(self) -> dict[str, str]:
        """The pieces of the next event of that kind."""
        name, data = self.next()
        while name not in {"parts", ""}:
            name, data = self.next()
        found: dict[str, str] = json.loads(data)
        return found


@contextmanager
def served(sources: MadeUp | None = None, *, address: str = "127.0.0.1") -> Iterator[Stand]:
    sources = sources or MadeUp()
    desk = Desk(sources, UTC, perf_counter)
    with TemporaryDirectory() as folder:
        door = PageDoor(f"{folder}/door")
        server = PageServer(desk, address=address, port=0, token=TOKEN, door=door)
        server.start()
        try:
            yield Stand(sources=sources, desk=desk, server=server)
        finally:
            server.stop()
