"""The daemon's ear: a Unix socket beside the catalog, for commands of the same person.

One JSON object on one line in, one out. Promises:
1. Only the same user and root are heard (the system says who asks).
2. The loop never waits for a client: requests are handed to it, answers waited for elsewhere.
3. Nothing that a client sends, or leaves unsent, ends or slows the daemon: lengths and times have
   bounds.
"""

import json
import os
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any, Final

from backupkeeper.core.errors import CatalogError

MOST_REQUEST_BYTES: Final = 64 * 1024
MOST_ANSWER_BYTES: Final = 64 * 1024 * 1024
ANSWER_S: Final = 5.0
"""How long a client waits for the loop."""
CLIENT_S: Final = 5.0
"""How long a client may take to say what it wants."""
MOST_CLIENTS: Final = 16
_NAME: Final = "control"
_CREDENTIALS: Final = struct.Struct("3i")
Json = dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class Request:
    """What a client wants: ``status``, ``pause``, ``resume`` or ``give way``, with its values."""

    what: str
    values: Json = field(default_factory=dict)
    future: "Future[Json]" = field(default_factory=Future)

    def answer(self, told: Json) -> None:
        """Answer it; a client that has gone hears nothing."""
        if not self.future.done():
            self.future.set_result(told)


class Ear:
    """Listens until ``stop``; to be held by the one daemon of a catalog.

    Args:
        folder: where the socket is made: for the owner alone.
        hand_over: gives a request to the loop; must return at once.
    """

    def __init__(self, folder: str, hand_over: Callable[[Request], None]) -> None:
        self._folder = folder
        self._hand_over = hand_over
        self._line: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._places = threading.BoundedSemaphore(MOST_CLIENTS)

    def start(self) -> None:
        """Begin to listen; a socket that a dead daemon left is replaced.

        Raises:
            CatalogError: the socket can't be made.
        """
        line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
        try:
            os.makedirs(self._folder, mode=0o700, exist_ok=True)
            with suppress(FileNotFoundError):
                os.unlink(f"{self._folder}/{_NAME}")  # noqa: TID251 - our own socket, no file of a person
            with _short(self._folder) as short:
                line.bind(f"{short}/{_NAME}")
            os.chmod(f"{self._folder}/{_NAME}", 0o600)
            line.listen(MOST_CLIENTS)
        except OSError as error:
            line.close()
            raise CatalogError(
                f"The daemon can't listen beside the catalog ({error.strerror}: {self._folder})."
            ) from error
        self._line = line
        self._thread = threading.Thread(target=self._listen, args=(line,), name="ear", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End listening."""
        if self._line is None or self._thread is None:
            return
        with suppress(OSError):
            self._line.shutdown(socket.SHUT_RDWR)
        self._line.close()
        self._thread.join(2.0)
        with suppress(OSError):
            os.unlink(f"{self._folder}/{_NAME}")  # noqa: TID251 - our own socket
        self._line = self._thread = None

    def _listen(self, line: socket.socket) -> None:
        while True:
            try:
                client, _ = line.accept()
            except OSError:
                return
            if not self._places.acquire(blocking=False):
                client.close()
                continue
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        try:
            # A client that goes, stalls or talks nonsense is no concern of the daemon.
            with client, suppress(OSError, ValueError, TimeoutError, RecursionError):
                client.settimeout(CLIENT_S)
                if not _is_ours(client):
                    return
                request = _request(_line_from(client, MOST_REQUEST_BYTES))
                self._hand_over(request)
                told = request.future.result(ANSWER_S)
                client.sendall(json.dumps(told, ensure_ascii=True).encode("ascii") + b"\n")
        finally:
            self._places.release()


def ask(folder: str, what: str, *, timeout_s: float = ANSWER_S, **values: object) -> Json | None:
    """Ask the daemon; None where there is none that answers.

    Args:
        folder: where its socket is.
        what: see ``Request``.
        timeout_s: how long to wait.
        values: what goes with it.
    """
    line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    line.settimeout(timeout_s)
    with line, suppress(OSError, ValueError, TimeoutError, RecursionError):
        with _short(folder) as short:
            line.connect(f"{short}/{_NAME}")
        words = {"version": 1, "what": what, **values}
        line.sendall(json.dumps(words, ensure_ascii=True).encode("ascii") + b"\n")
        told = json.loads(_line_from(line, MOST_ANSWER_BYTES))
        if isinstance(told, dict):
            return told
    return None


@contextmanager
def _short(folder: str) -> Iterator[str]:
    """A short name of a folder: a socket's path may have no more than 107 bytes."""
    handle = os.open(folder, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{handle}"
    finally:
        os.close(handle)


def _is_ours(client: socket.socket) -> bool:
    data = client.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    _, user, _ = _CREDENTIALS.unpack(data)
    return user in {0, os.geteuid()}


def _line_from(line: socket.socket, most: int) -> bytes:
    data = bytearray()
    while not data.endswith(b"\n"):
        piece = line.recv(65536)
        if not piece or len(data) + len(piece) > most:
            raise ValueError("no whole line")
        data += piece
    return bytes(data)


def _request(line: bytes) -> Request:
    told = json.loads(line)
    if not isinstance(told, dict) or told.get("version") != 1:
        raise ValueError("no request")
    values = {key: value for key, value in told.items() if key not in {"version", "what"}}
    return Request(what=str(told.get("what", "")), values=values)
