"""Wrong credentials, no right, no network: what a person reads, from a real store and real sockets."""

import socket
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import BucketUnreachableError
from tests.real.store import Opener, Server, blocks_of, content_of, free_ports, made_up

pytest_plugins = ["tests.real.store_fixtures"]


def deeds(bucket: S3Bucket) -> list[Callable[[], object]]:
    data = made_up(100)
    return [
        bucket.capabilities,
        lambda: bucket.look("A001.MP4"),
        lambda: list(bucket.listing()),
        lambda: bucket.send("A001.MP4", content_of(data), blocks_of(data)),
        lambda: bucket.send_small("A001.MP4", data),
        lambda: list(bucket.fetch("A001.MP4")),
    ]


def all_say(bucket: S3Bucket, words: str) -> None:
    for deed in deeds(bucket):
        with pytest.raises(BucketUnreachableError, match=words) as caught:
            deed()
        assert caught.value.exit_code == 3


@pytest.mark.real("store")
@pytest.mark.parametrize(
    ("access", "secret", "code"),
    [
        ("testaccess", "wrongsecret", "SignatureDoesNotMatch"),
        ("nobody", "testsecret", "InvalidAccessKeyId"),
    ],
)
def test_wrong_credentials_are_told(
    radosgw: Server,
    opened: Opener,
    credentials: pytest.MonkeyPatch,
    access: str,
    secret: str,
    code: str,
) -> None:
    name = radosgw.new_bucket()
    credentials.setenv("AWS_ACCESS_KEY_ID", access)
    credentials.setenv("AWS_SECRET_ACCESS_KEY", secret)
    all_say(opened(radosgw.url, name), rf"does not accept the credentials \({code}")


@pytest.mark.real("store")
def test_credentials_without_the_right_are_told(
    radosgw: Server, opened: Opener, credentials: pytest.MonkeyPatch
) -> None:
    name = radosgw.new_bucket()
    credentials.setenv("AWS_ACCESS_KEY_ID", "locked")
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "lockedsecret")
    all_say(opened(radosgw.url, name), r"not allowed to do this .* \(AccessDenied")


@pytest.mark.real("store")
def test_a_clock_that_is_wrong_is_told(
    radosgw: Server, opened: Opener, credentials: pytest.MonkeyPatch
) -> None:
    bucket = opened(radosgw.url, radosgw.new_bucket())
    yesterday = datetime.now(UTC).replace(tzinfo=None) - timedelta(days=1)
    credentials.setattr("botocore.auth.get_current_datetime", lambda: yesterday)
    all_say(bucket, "clock of this machine")


def test_no_credentials_are_told_with_where_they_are_looked_for(
    moto: Server, opened: Opener, credentials: pytest.MonkeyPatch
) -> None:
    name = moto.new_bucket()
    credentials.delenv("AWS_ACCESS_KEY_ID")
    credentials.delenv("AWS_SECRET_ACCESS_KEY")
    all_say(opened(moto.url, name), r"There are no credentials .* ~/\.aws/credentials")


def test_a_door_that_is_shut_is_told(opened: Opener) -> None:
    url = f"http://127.0.0.1:{free_ports(1)}"
    all_say(opened(url, "boatyard"), rf"Nothing answers at {url}")


def test_a_name_that_is_not_known_is_told(opened: Opener) -> None:
    # RFC 6761 section 6.4: .invalid is never found.
    all_say(opened("http://store.invalid", "boatyard", attempts=1), "store.invalid, can't be found")


@pytest.fixture
def plain_port() -> Iterator[int]:
    """Somebody who listens and answers every word with rubbish, then hangs up."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                caller, _ = listener.accept()
            except OSError:
                return
            with caller:
                caller.recv(1024)
                caller.sendall(b"220 mail.example ready\r\n")

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()


def test_a_server_that_speaks_no_tls_is_told(opened: Opener, plain_port: int) -> None:
    bucket = opened(f"https://127.0.0.1:{plain_port}", "boatyard", attempts=1)
    with pytest.raises(BucketUnreachableError, match="can't be trusted"):
        bucket.look("A001.MP4")


def test_a_server_that_speaks_no_http_is_told(opened: Opener, plain_port: int) -> None:
    bucket = opened(f"http://127.0.0.1:{plain_port}", "boatyard", attempts=1)
    with pytest.raises(BucketUnreachableError, match=r"connection to .* broke"):
        bucket.look("A001.MP4")


@pytest.mark.slow
def test_a_server_that_never_answers_is_told(opened: Opener) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        url = f"http://127.0.0.1:{listener.getsockname()[1]}"
        bucket = opened(url, "boatyard", attempts=1, read_timeout=0.3)
        with pytest.raises(BucketUnreachableError, match="took too long to answer"):
            bucket.look("A001.MP4")


@pytest.mark.slow
def test_a_slow_line_is_no_timeout_as_long_as_bytes_move(opened: Opener) -> None:
    """Sending takes several times the timeout; each piece of it does not."""
    size, pause = 6 * 1024 * 1024, threading.Event()
    received: list[int] = []

    def serve(listener: socket.socket) -> None:
        caller, _ = listener.accept()
        with caller:
            caller.recv(64 * 1024)
            caller.sendall(b"HTTP/1.1 100 Continue\r\n\r\n")
            got = 0
            while got < size:
                pause.wait(0.05)
                got += len(caller.recv(256 * 1024, socket.MSG_WAITALL))
            received.append(got)
            caller.sendall(b'HTTP/1.1 200 OK\r\nETag: "e"\r\nContent-Length: 0\r\n\r\n')

    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 128 * 1024)
        thread = threading.Thread(target=serve, args=(listener,))
        thread.start()
        url = f"http://127.0.0.1:{listener.getsockname()[1]}"
        store = opened(url, "boatyard", attempts=1, connect_timeout=0.4)._store
        with store.asking("A001.MP4"):
            store.client.put_object(**store.at("A001.MP4"), Body=made_up(size))
        thread.join()
    assert received == [size]
