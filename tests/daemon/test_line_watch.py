"""The kernel tells that a line came up: a real interface gets an address."""

import os
import struct
import subprocess
import threading
from collections.abc import Iterator

import pytest

from backupkeeper.daemon import line_watch
from backupkeeper.daemon.line_watch import LineWatch, is_up

PATIENCE_S = 20.0
NAME = f"bk{os.getpid() % 100_000}"


def message(kind: int, body: bytes = b"") -> bytes:
    padded = body + bytes(-len(body) % 4)
    return struct.pack("=IHHII", 16 + len(body), kind, 0, 0, 0) + padded


@pytest.mark.parametrize(
    ("datagram", "up"),
    [
        (message(20), True),
        (message(24, b"abcde"), True),
        (message(16, b"abc") + message(24), True),
        (message(21) + message(25) + message(28), False),
        (b"", False),
        (b"short", False),
        (struct.pack("=IHHII", 0, 99, 0, 0, 0) * 3, False),
        (struct.pack("=IHHII", 0xFFFFFFF0, 99, 0, 0, 0) + message(24), False),
    ],
)
def test_addresses_and_routes_that_come_are_told_from_all_else(datagram: bytes, up: bool) -> None:
    assert is_up(datagram) is up


@pytest.fixture
def interface() -> Iterator[str]:
    """A pair of interfaces that lead nowhere."""
    made = ["ip", "link", "add", NAME, "type", "veth", "peer", "name", f"{NAME}p"]
    if os.geteuid() != 0 or subprocess.run(made, capture_output=True, check=False).returncode:
        pytest.skip("needs root and interfaces of the kind veth")
    yield NAME
    subprocess.run(["ip", "link", "del", NAME], check=False, capture_output=True)


@pytest.mark.slow
def test_an_address_that_comes_is_heard_and_its_going_is_not(
    interface: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(line_watch, "SETTLE_S", 0.1)
    heard = threading.Semaphore(0)
    watch = LineWatch(heard.release)
    assert watch.start()
    try:
        address = ["192.0.2.77/32", "dev", interface]
        subprocess.run(["ip", "addr", "add", *address], check=True)
        assert heard.acquire(timeout=PATIENCE_S)
    finally:
        watch.stop()
    assert not heard.acquire(blocking=False)
    watch.stop()


def test_where_there_is_no_such_socket_nothing_is_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr("socket.AF_NETLINK")
    watch = LineWatch(lambda: None)
    assert not watch.start()
    watch.stop()
