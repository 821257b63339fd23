"""Locks held by real processes: refused with the holder's name, free when it dies."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupkeeper.core.errors import CatalogError, PlaceHeldError
from backupkeeper.ports.locks import Holder
from backupkeeper.system.lock import PlaceLocks

HOLD = """
import sys
from backupkeeper.system.lock import PlaceLocks
with PlaceLocks(sys.argv[1]).hold("place-1", called="Main", doing=sys.argv[2]):
    print("held", flush=True)
    sys.stdin.read()
"""


@contextmanager
def held_elsewhere(folder: Path, doing: str = "proving Roll 02") -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(folder), doing],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        yield child
        if child.poll() is None:
            child.kill()


def take(folder: Path, name: str = "place-1") -> None:
    with PlaceLocks(str(folder)).hold(name, called="Main", doing="verifying"):
        pass


def test_what_another_process_holds_is_refused_with_its_name_and_what_it_does(
    tmp_path: Path,
) -> None:
    with held_elsewhere(tmp_path / "locks") as child:
        with pytest.raises(PlaceHeldError) as caught:
            take(tmp_path / "locks")
        assert f"at work on Main (process {child.pid}, proving Roll 02)" in str(caught.value)
        assert caught.value.process == child.pid
        locks = PlaceLocks(str(tmp_path / "locks"))
        assert locks.holder("place-1") == Holder(process=child.pid, doing="proving Roll 02")
        take(tmp_path / "locks", "place-2")


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_holder_that_dies_holds_nothing(tmp_path: Path, number: signal.Signals) -> None:
    with held_elsewhere(tmp_path) as child:
        child.send_signal(number)
        child.wait(10)
        take(tmp_path)
        assert PlaceLocks(str(tmp_path)).holder("place-1") is None


def test_it_is_no_lock_that_the_same_process_could_take_twice(tmp_path: Path) -> None:
    locks = PlaceLocks(str(tmp_path))
    refused = pytest.raises(PlaceHeldError, match=f"process {os.getpid()}")
    with locks.hold("daemon", called="x", doing="a"), refused:
        take(tmp_path, "daemon")
    take(tmp_path, "daemon")


def test_a_shorter_text_leaves_nothing_of_a_longer_one(tmp_path: Path) -> None:
    locks = PlaceLocks(str(tmp_path))
    with locks.hold("a", called="x", doing="a very long thing to do " * 100):
        holder = locks.holder("a")
        assert holder is not None
        assert holder.doing.startswith("a very long")
    with locks.hold("a", called="x", doing="short"):
        assert locks.holder("a") == Holder(process=os.getpid(), doing="short")


def test_folder_and_files_are_for_their_owner_alone(tmp_path: Path) -> None:
    take(tmp_path / "locks")
    assert (tmp_path / "locks").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "locks/place-1").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("name", ["", "../up", "a/b", "A", "a\0b", "x" * 65])
def test_a_name_that_could_lead_elsewhere_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(CatalogError, match="no lock called"):
        take(tmp_path, name)


def test_a_link_in_place_of_a_lock_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "place-1").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CatalogError, match="can't be made"):
        take(tmp_path)
    assert not (tmp_path / "elsewhere").exists()


def test_a_lock_whose_text_is_rubbish_is_told_without_a_process(tmp_path: Path) -> None:
    locks = PlaceLocks(str(tmp_path))
    with locks.hold("a", called="x", doing="b"):
        (tmp_path / "a").write_bytes(b"\xff\xfe rubbish")
        assert locks.holder("a") == Holder(process=0, doing="")
        with pytest.raises(PlaceHeldError) as caught:
            take(tmp_path, "a")
        assert caught.value.process is None
