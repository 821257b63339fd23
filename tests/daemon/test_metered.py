"""Whether the line is metered: asked of a small NetworkManager on a real bus."""

import queue
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from jeepney import DBusAddress, MessageType, new_method_return, new_signal
from jeepney.bus_messages import DBus
from jeepney.io.blocking import open_dbus_connection

from backupkeeper.daemon import metered
from backupkeeper.daemon.metered import SYSTEM_BUS, MeteredWatch, system_bus

PATH, NAME = "/org/freedesktop/NetworkManager", "org.freedesktop.NetworkManager"
PATIENCE_S = 20.0


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[str]:
    """A private bus."""
    command = ["dbus-daemon", "--session", "--nofork", "--nopidfile", "--print-address"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as daemon:
        assert daemon.stdout is not None
        yield daemon.stdout.readline().strip()
        daemon.terminate()


class NetworkManager:
    """Answers for ``Metered`` what the test says, and signals when that is another answer."""

    def __init__(self, bus: str, value: Any) -> None:
        self.value, self.kind = value, "u"
        self.asked: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self.line = open_dbus_connection(bus)
        self.line.send_and_get_reply(DBus().RequestName(NAME))
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.ended = threading.Event()

    def serve(self) -> None:
        while not self.ended.is_set():
            try:
                call = self.line.receive(timeout=0.05)
            except TimeoutError:
                continue
            if call.header.message_type is MessageType.method_call:
                self.line.send(new_method_return(call, "v", ((self.kind, self.value),)))
                self.asked.put(call.body)

    def becomes(self, value: Any) -> None:
        self.value = value
        address = DBusAddress(PATH, interface="org.freedesktop.DBus.Properties")
        told: tuple[Any, ...] = (NAME, {"Metered": (self.kind, value)}, [])
        self.line.send(new_signal(address, "PropertiesChanged", "sa{sv}as", told))


@contextmanager
def manager(bus: str, value: Any, kind: str = "u") -> Iterator[NetworkManager]:
    found = NetworkManager(bus, value)
    found.kind = kind
    found.thread.start()
    try:
        yield found
    finally:
        found.ended.set()
        found.thread.join(PATIENCE_S)
        found.line.close()


@contextmanager
def watching(bus: str) -> Iterator[tuple[MeteredWatch, "queue.SimpleQueue[Any]"]]:
    told: queue.SimpleQueue[Any] = queue.SimpleQueue()
    watch = MeteredWatch(bus, lambda: told.put(watch.is_metered()))
    watch.start()
    try:
        yield watch, told
    finally:
        watch.stop()
    assert not watch._thread.is_alive()


@pytest.mark.real("dbus")
@pytest.mark.parametrize(
    ("value", "answer"), [(1, True), (2, False), (3, True), (4, False)], ids=str
)
def test_what_networkmanager_says_is_taken_over(bus: str, value: int, answer: bool) -> None:
    with manager(bus, value) as service, watching(bus) as (watch, told):
        assert told.get(timeout=PATIENCE_S) is answer
        assert watch.is_metered() is answer
        assert service.asked.get(timeout=PATIENCE_S) == (NAME, "Metered")


@pytest.mark.real("dbus")
def test_a_line_that_becomes_another_is_heard_at_once(bus: str) -> None:
    with manager(bus, 4) as service, watching(bus) as (_, told):
        assert told.get(timeout=PATIENCE_S) is False
        service.becomes(1)
        assert told.get(timeout=PATIENCE_S) is True
        service.becomes(0)
        assert told.get(timeout=PATIENCE_S) is None, "it does not know any more"


@pytest.mark.real("dbus")
@pytest.mark.parametrize(("value", "kind"), [(0, "u"), (99, "u"), ("yes", "s"), (1, "i")])
def test_what_can_not_be_understood_is_not_known(bus: str, value: Any, kind: str) -> None:
    with manager(bus, value, kind) as service, watching(bus) as (watch, told):
        service.asked.get(timeout=PATIENCE_S)
        service.becomes(value)
        service.asked.get(timeout=PATIENCE_S)
        assert watch.is_metered() is None
        assert told.empty()


@pytest.mark.real("dbus")
def test_a_bus_without_networkmanager_knows_nothing_and_it_may_come_later(
    bus: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(metered, "AGAIN_S", 0.05)
    with watching(bus) as (watch, told):
        assert watch.is_metered() is None
        with manager(bus, 1):
            assert told.get(timeout=PATIENCE_S) is True
        assert told.get(timeout=PATIENCE_S) is None, "it went: nothing is known any more"


def test_no_bus_at_all_is_not_known_and_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    tried: queue.SimpleQueue[str] = queue.SimpleQueue()
    monkeypatch.setattr(metered, "AGAIN_S", 0.01)

    def refuse(bus: str) -> None:
        tried.put(bus)
        raise FileNotFoundError(bus)

    monkeypatch.setattr(metered, "open_dbus_connection", refuse)
    with watching("unix:path=/nowhere") as (watch, told):
        for _ in range(3):
            assert tried.get(timeout=PATIENCE_S) == "unix:path=/nowhere"
        assert watch.is_metered() is None
        assert told.empty()


def test_where_the_system_s_bus_is() -> None:
    assert system_bus({}) == SYSTEM_BUS
    assert system_bus({"DBUS_SYSTEM_BUS_ADDRESS": "unix:path=/b"}) == "unix:path=/b"


def test_an_answer_of_another_shape_is_not_known() -> None:
    bodies: list[Any] = [None, (), (("u", 1), 2), 7, (("u",),)]
    assert [metered._meant(body) for body in bodies] == [None] * len(bodies)
