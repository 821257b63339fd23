"""The daemon's ear: real sockets, clients that go, stall and talk nonsense, and a loop that is slow."""

import json
import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.core.errors import CatalogError
from backupkeeper.daemon import control
from backupkeeper.daemon.control import Ear, Request, ask


@pytest.fixture
def folder(tmp_path: Path) -> str:
    return str(tmp_path / "locks")


@pytest.fixture
def heard() -> list[Request]:
    return []


@pytest.fixture
def ear(folder: str, heard: list[Request]) -> Iterator[Ear]:
    def hand_over(request: Request) -> None:
        heard.append(request)
        request.answer({"said": request.what, **request.values})

    made = Ear(folder, hand_over)
    made.start()
    yield made
    made.stop()


def raw(folder: str, data: bytes) -> bytes:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        line.settimeout(10)
        line.connect(f"{folder}/control")
        line.sendall(data)
        line.shutdown(socket.SHUT_WR)
        return line.recv(65536)


def test_what_is_asked_is_answered(folder: str, ear: Ear) -> None:
    assert ask(folder, "give way", places=["Main", "odd \udc80"]) == {
        "said": "give way",
        "places": ["Main", "odd \udc80"],
    }


def test_where_no_daemon_listens_there_is_no_answer(folder: str, tmp_path: Path) -> None:
    assert ask(folder, "status") is None
    (tmp_path / "locks").mkdir()
    assert ask(folder, "status") is None


@pytest.mark.parametrize(
    "data",
    [b"", b"hello\n", b"[]\n", b'{"version": 2, "what": "status"}\n', b"{" * 70_000, b"[" * 60_000 + b"\n"],
    ids=["nothing", "no json", "a list", "another version", "too long", "too deep"],
)  # fmt: skip
def test_nonsense_gets_no_answer_and_does_no_harm(
    folder: str, ear: Ear, heard: list[Request], data: bytes
) -> None:
    with suppress(OSError):  # it may hang up before we have said it all
        assert raw(folder, data) == b""
    assert heard == []
    assert ask(folder, "status") == {"said": "status"}


def test_the_socket_is_for_its_owner_alone_and_gone_afterwards(folder: str, ear: Ear) -> None:
    assert os.stat(f"{folder}/control").st_mode & 0o777 == 0o600
    assert os.stat(folder).st_mode & 0o777 == 0o700
    ear.stop()
    ear.stop()
    assert not os.path.exists(f"{folder}/control")


def test_what_a_dead_daemon_left_is_replaced(folder: str) -> None:
    os.makedirs(folder)
    left = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    left.bind(f"{folder}/control")
    left.close()
    made = Ear(folder, lambda request: request.answer({}))
    made.start()
    assert ask(folder, "status") == {}
    made.stop()


def test_a_path_longer_than_a_socket_may_have_is_fine(tmp_path: Path) -> None:
    deep = str(tmp_path / ("x" * 100) / ("y" * 100))
    made = Ear(deep, lambda request: request.answer({"far": "down"}))
    made.start()
    assert ask(deep, "status") == {"far": "down"}
    made.stop()


def test_a_folder_that_can_not_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(CatalogError, match="can't listen"):
        Ear(str(tmp_path / "file/locks"), lambda _request: None).start()


def test_a_loop_that_does_not_answer_keeps_nobody_for_ever(
    folder: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control, "ANSWER_S", 0.05)
    kept: list[Request] = []
    made = Ear(folder, kept.append)
    made.start()
    assert ask(folder, "status", timeout_s=5) is None
    kept[0].answer({"too": "late"})
    kept[0].answer({"and": "twice"})
    made.stop()


def test_clients_that_stall_are_dropped_and_others_are_served(
    folder: str, ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control, "CLIENT_S", 0.2)
    stalled = []
    for _ in range(control.MOST_CLIENTS - 1):
        line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        line.connect(f"{folder}/control")
        stalled.append(line)
    assert _until(lambda: ask(folder, "status")) == {"said": "status"}
    for line in stalled:
        line.close()


def test_many_at_once_are_all_answered(folder: str, ear: Ear) -> None:
    told: list[Any] = []
    threads = [
        threading.Thread(target=lambda: told.append(ask(folder, "status"))) for _ in range(12)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert told == [{"said": "status"}] * 12


def _until(ask_it: Callable[[], Any]) -> Any:
    for _ in range(100):
        if (told := ask_it()) is not None:
            return told
    return None


def test_an_answer_that_is_no_object_is_none(folder: str, tmp_path: Path) -> None:
    os.makedirs(folder)
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    server.bind(f"{folder}/control")
    server.listen(1)

    def serve() -> None:
        client, _ = server.accept()
        client.recv(1000)
        client.sendall(json.dumps([1]).encode() + b"\n")
        client.close()

    thread = threading.Thread(target=serve)
    thread.start()
    assert ask(folder, "status") is None
    thread.join(5)
    server.close()
