"""An answer whose headers can't be read leaves no connection open."""

import socket
import threading
from collections.abc import Iterator
from contextlib import suppress

import pytest

from backupkeeper.cloud.bodies import body_of, given_up, hold_bodies
from backupkeeper.cloud.download import fetched
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.ports.bucket import ObjectEntry
from tests.real.store import Opener, raw_client

pytest_plugins = ["tests.real.store_fixtures"]

ENTRY = ObjectEntry(key="A001.MP4", size=900_000, etag="e", version=None)
SPOILT = [b"Last-Modified: garbage\r\n", b"x-amz-mp-parts-count: 1x\r\n"]


class Answering:
    """A server that answers each call with the same headers and some bytes, and sees it hung up."""

    def __init__(self, headers: bytes) -> None:
        head = b"HTTP/1.1 200 OK\r\nContent-Length: 900000\r\n" + headers + b"\r\n"
        self._answer = head + bytes(1000)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._listener.getsockname()[1]}"
        self.hung_up = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                call, _ = self._listener.accept()
                with call:
                    call.recv(65536)
                    call.sendall(self._answer)
                    call.settimeout(30)
                    with suppress(ConnectionResetError):
                        call.recv(1)
                    self.hung_up.set()

    def stop(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join()


@pytest.fixture(params=SPOILT)
def spoilt(request: pytest.FixtureRequest) -> Iterator[Answering]:
    server = Answering(request.param)
    yield server
    server.stop()


def test_a_spoilt_answer_is_hung_up_at_once(spoilt: Answering, opened: Opener) -> None:
    bucket = opened(spoilt.url, "boatyard", attempts=1)
    with pytest.raises(BackupkeeperError) as kept:
        list(fetched(bucket._store, "A001.MP4", ENTRY, version=None))
    assert spoilt.hung_up.wait(20), "the connection is still open"
    del kept  # until here, with all that it holds: only closing ended the call


def test_what_is_left_of_a_body_is_not_waited_for(credentials: None) -> None:
    server = Answering(b'ETag: "e"\r\n')
    try:
        client = raw_client(server.url)
        hold_bodies(client)
        assert body_of(client, {"Bucket": "boatyard", "Key": "A001.MP4"}, 10) == bytes(10)
        assert server.hung_up.wait(20)
    finally:
        server.stop()


def test_before_any_answer_there_is_nothing_to_close() -> None:
    with pytest.raises(OSError, match="no line"), given_up():
        raise OSError("no line")
