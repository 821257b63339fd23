"""What systemd hears: the datagrams of sd_notify(3), STANDARDS section 9.4."""

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from backupkeeper.daemon.sd_notify import Supervisor


class Listener:
    def __init__(self, address: str) -> None:
        self.line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.line.bind(address)
        self.line.settimeout(0.05)

    def heard(self) -> list[bytes]:
        found = []
        while True:
            try:
                found.append(self.line.recv(4096))
            except TimeoutError:
                return found


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[Listener]:
    made = Listener(str(tmp_path / "notify"))
    yield made
    made.line.close()


def supervisor(tmp_path: Path, *, seconds: list[float] | None = None, **more: str) -> Supervisor:
    now = seconds or [5.0]
    environ = {"NOTIFY_SOCKET": str(tmp_path / "notify"), **more}
    return Supervisor(environ, process=7, seconds=lambda: now[0])


def test_each_word_is_one_datagram(tmp_path: Path, listener: Listener) -> None:
    told = supervisor(tmp_path)
    told.ready()
    told.reloading()
    told.stopping()
    told.more_time(2.5)
    assert listener.heard() == [
        b"READY=1",
        b"RELOADING=1\nMONOTONIC_USEC=5000000",
        b"STOPPING=1",
        b"EXTEND_TIMEOUT_USEC=2500000",
    ]


def test_a_status_is_one_line_and_said_only_when_it_is_another(
    tmp_path: Path, listener: Listener
) -> None:
    told = supervisor(tmp_path)
    for text in ("1 under way", "1 under way", "two\nREADY=1\udc80"):
        told.status(text)
    assert listener.heard() == [b"STATUS=1 under way", b"STATUS=two READY=1?"]


def test_a_sign_of_life_is_given_at_a_quarter_of_the_watchdogs_time(
    tmp_path: Path, listener: Listener
) -> None:
    now = [0.0]
    told = supervisor(tmp_path, seconds=now, WATCHDOG_USEC="4000000", WATCHDOG_PID="7")
    assert told.alive_every_s == 2.0
    for at in (0.0, 0.5, 1.0, 1.5, 2.0):
        now[0] = at
        told.alive()
    assert listener.heard() == [b"WATCHDOG=1"] * 3


@pytest.mark.parametrize(
    "environ",
    [
        {},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "x"},
        {"WATCHDOG_USEC": "4", "WATCHDOG_PID": "8"},
    ],
)
def test_a_sign_of_life_that_nobody_asked_of_us_is_not_given(
    tmp_path: Path, listener: Listener, environ: dict[str, str]
) -> None:
    socket_name = {"NOTIFY_SOCKET": str(tmp_path / "notify")}
    told = Supervisor({**socket_name, **environ}, process=7, seconds=lambda: 5.0)
    told.alive()
    assert told.alive_every_s is None
    assert listener.heard() == []


def test_an_abstract_socket_is_one() -> None:
    name = f"backupkeeper-test-{id(object())}"
    listener = Listener(f"\0{name}")
    Supervisor({"NOTIFY_SOCKET": f"@{name}"}, process=7, seconds=lambda: 0.0).ready()
    assert listener.heard() == [b"READY=1"]
    listener.line.close()


def test_without_a_supervisor_or_with_one_that_is_gone_nothing_happens(tmp_path: Path) -> None:
    for environ in ({}, {"NOTIFY_SOCKET": str(tmp_path / "gone")}, {"NOTIFY_SOCKET": "x" * 300}):
        Supervisor(environ, process=7, seconds=lambda: 0.0).ready()
