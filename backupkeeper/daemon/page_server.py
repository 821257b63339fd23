"""The live page's server: uvicorn on this machine's own address, in a thread, for as long as asked.

Promises:
1. It binds to a loopback address and to nothing else, whatever it is told.
2. Each start has a token of its own, of 256 random bits, which stands in no log.
3. It ends within three seconds, whoever still looks on.
"""

import ipaddress
import logging
import socket
import threading
from typing import Final

import uvicorn

from backupkeeper.core.errors import OutOfReachError, UsageError
from backupkeeper.daemon.page_app import page_app
from backupkeeper.daemon.page_desk import Desk
from backupkeeper.daemon.page_door import PageDoor
from backupkeeper.daemon.page_guard import Guard
from backupkeeper.daemon.page_lines import BoundedLine

GRACE_S: Final = 1


class PageServer:
    """One server.

    Args:
        desk: what it shows; started and stopped along with it.
        address: a loopback address.
        port: 0: any that is free.
        token: what every path must begin with.
        door: the file that leads a browser here, for as long as it is served.
    """

    def __init__(self, desk: Desk, *, address: str, port: int, token: str, door: PageDoor) -> None:
        self._desk = desk
        self._door = door
        self._token = token
        self._socket = _bound(address, port)
        self._port: int = self._socket.getsockname()[1]
        self._host = f"[{address}]" if ":" in address else address
        guard = Guard(
            page_app(desk),
            token=token,
            hosts=(f"{self._host}:{self._port}", f"localhost:{self._port}"),
        )
        self._server = uvicorn.Server(
            uvicorn.Config(
                guard,
                loop="asyncio",
                http=BoundedLine,
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                log_level=logging.CRITICAL,
                server_header=False,
                proxy_headers=False,
                h11_max_incomplete_event_size=16 * 1024,
                timeout_keep_alive=5,
                timeout_graceful_shutdown=GRACE_S,
            )
        )
        self._thread = threading.Thread(target=self._run, name="page server", daemon=True)

    @property
    def url(self) -> str:
        """What to open in a browser; whoever knows it may look and ask."""
        return f"http://{self._host}:{self._port}/{self._token}/"

    @property
    def door(self) -> str:
        """The file that leads a browser here; '': there is none."""
        return self._door.path

    def start(self) -> None:
        """Begin."""
        self._desk.start()
        self._thread.start()
        self._door.open(self.url)

    def stop(self) -> None:
        """End."""
        self._door.close()
        self._server.should_exit = True
        self._desk.stop()
        self._thread.join(GRACE_S + 2)
        self._socket.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])


def is_loopback(address: str) -> bool:
    """Whether an address can only be reached from this machine."""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def _bound(address: str, port: int) -> socket.socket:
    if not is_loopback(address):
        raise UsageError(f"The page is for this machine alone: it is not served at {address}.")
    line = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET)
    try:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        line.bind((address, port))
        line.listen(64)
    except OSError as error:
        line.close()
        raise OutOfReachError(
            f"The page can't be served at {address}, port {port} ({error.strerror}).",
            advice="Another port: [page] port in the configuration; 0 takes any that is free.",
        ) from error
    return line
