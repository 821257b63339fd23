"""Telling a person at once: a real bus, real programs."""

import os
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from jeepney import MessageType, new_method_return
from jeepney.bus_messages import DBus
from jeepney.io.blocking import open_dbus_connection

from backupkeeper.daemon import heralds
from backupkeeper.daemon.heralds import CommandHerald, DesktopHerald

BODY = "First line.\n.\nFrom here on\x1b[31m \udc80 Ünïcode.\n"


# -- the person's own program


def program(folder: Path, text: str) -> list[str]:
    file = folder / "tell"
    file.write_text(f"#!/bin/sh\n{text}\n")
    file.chmod(0o755)
    return [str(file), "two words", "$HOME"]


def test_a_program_gets_the_text_and_nothing_goes_through_a_shell(tmp_path: Path) -> None:
    command = program(
        tmp_path,
        f'printf "%s|%s|%s|%s" "$1" "$2" "$BACKUPKEEPER_SUBJECT" "$BACKUPKEEPER_URGENT" > {tmp_path}/a; cat > {tmp_path}/b',
    )
    herald = CommandHerald(command, {"PATH": os.environ["PATH"]})
    assert herald.tell(subject="a;$(touch x)\n`b`", body=BODY, urgent=True) is None
    assert (tmp_path / "a").read_text() == "two words|$HOME|a;$(touch x)\\n`b`|1"
    assert (tmp_path / "b").read_text() == "First line.\n.\nFrom here on\\x1b[31m \\x80 Ünïcode.\n"


def test_a_program_is_not_handed_the_keys_of_a_bucket(tmp_path: Path) -> None:
    environ = {"PATH": os.environ["PATH"], "AWS_SECRET_ACCESS_KEY": "planted", "MY_TOKEN": "mine"}
    herald = CommandHerald(program(tmp_path, f"env > {tmp_path}/a"), environ)
    assert herald.tell(subject="s", body="b", urgent=False) is None
    found = (tmp_path / "a").read_text()
    assert ("planted" in found, "MY_TOKEN=mine" in found) == (False, True)


def test_a_program_that_fails_hangs_or_is_not_there_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(heralds, "COMMAND_S", 0.2)
    for command, told in (
        (program(tmp_path, "exit 7"), "ended with 7"),
        (["/nowhere/at/all"], "could not be run"),
    ):
        assert told in str(CommandHerald(command, {}).tell(subject="s", body="b", urgent=False))
    hangs = CommandHerald(program(tmp_path, "exec sleep 600"), {"PATH": os.environ["PATH"]})
    assert "did not end" in str(hangs.tell(subject="s", body="b", urgent=False))


# -- the desktop


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[str]:
    """A private session bus."""
    command = ["dbus-daemon", "--session", "--nofork", "--nopidfile", "--print-address"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as daemon:
        assert daemon.stdout is not None
        yield daemon.stdout.readline().strip()
        daemon.terminate()


@dataclass
class Desktop:
    """A small notification service: answers one call."""

    bus: str
    got: list[Any] = field(default_factory=list)

    def serve(self, ready: threading.Event) -> None:
        with open_dbus_connection(self.bus) as line:
            line.send_and_get_reply(DBus().RequestName("org.freedesktop.Notifications"))
            ready.set()
            while not self.got:
                call = line.receive(timeout=20)
                if call.header.message_type is MessageType.method_call:
                    self.got.append(call.body)
                    line.send(new_method_return(call, "u", (1,)))


@pytest.mark.real("dbus")
def test_the_desktop_shows_it_without_markup_of_a_file_name(bus: str) -> None:
    desktop, ready = Desktop(bus), threading.Event()
    thread = threading.Thread(target=desktop.serve, args=(ready,))
    thread.start()
    assert ready.wait(20)
    told = DesktopHerald(bus).tell(subject="Damage\n", body="<b>A & B</b>\x1b", urgent=True)
    thread.join(20)
    assert told is None
    ((name, _, _, subject, body, _, hints, _),) = desktop.got
    assert (name, subject, body) == (
        "backupkeeper",
        "Damage\\n",
        "&lt;b&gt;A &amp; B&lt;/b&gt;\\x1b",
    )
    assert hints["urgency"] == ("y", 2)


@pytest.mark.real("dbus")
def test_a_bus_without_a_desktop_is_a_sentence(bus: str) -> None:
    told = DesktopHerald(bus).tell(subject="s", body="b", urgent=False)
    assert told is not None
    assert "desktop" in told


def test_no_bus_at_all_is_a_sentence() -> None:
    assert "no session bus" in str(DesktopHerald("").tell(subject="s", body="b", urgent=False))
    told = DesktopHerald("unix:path=/nowhere").tell(subject="s", body="b", urgent=False)
    assert "could not be told" in str(told)
