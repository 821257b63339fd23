"""Locks held by real processes: refused with the holder's name, free when it dies."""

import errno
import fcntl
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupkeeper.core.errors import CatalogError, PlaceHeldError
from backupkeeper.ports.locks import Holder
from backupkeeper.system import lock
from backupkeeper.system.lock import PlaceLocks

HOLD = """
import sys
from backupkeeper.system.lock import PlaceLocks
with PlaceLocks(sys.argv[1]).hold("place-1", called="Main", doing=sys.argv[2]):
    print("held", flush=True)
    sys.stdin.read()
"""


LOOK = """
import sys
from backupkeeper.system.lock import PlaceLocks
locks = PlaceLocks(sys.argv[1])
print("looking", flush=True)
while True:
    locks.holder("place-1")
"""


@contextmanager
def child_of(code: str, *words: str, full: bool = False) -> Iterator[subprocess.Popen[str]]:
    """A process that has said its first line; ``full``: it has no room for a single byte."""

    def no_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))

    with subprocess.Popen(
        [sys.executable, "-B", "-c", code, *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        preexec_fn=no_room if full else None,  # noqa: PLW1509 - no thread runs here
    ) as child:
        try:
            assert child.stdout is not None
            assert child.stdout.readline()
            yield child
        finally:
            child.kill()


@contextmanager
def held_elsewhere(
    folder: Path, doing: str = "proving Roll 02", *, full: bool = False
) -> Iterator[subprocess.Popen[str]]:
    with child_of(HOLD, str(folder), doing, full=full) as child:
        yield child


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


@pytest.mark.parametrize("what", ["link", "folder", "pipe"])
def test_what_is_no_file_in_place_of_a_lock_is_refused_or_does_no_harm(
    tmp_path: Path, what: str
) -> None:
    path = tmp_path / "place-1"
    match what:
        case "link":
            path.symlink_to(tmp_path / "elsewhere")
        case "folder":
            path.mkdir()
        case _:
            os.mkfifo(path)  # never waited for
    locks = PlaceLocks(str(tmp_path))
    if what == "link":
        with pytest.raises(CatalogError, match="can't be used"):
            locks.holder("place-1")
    else:
        assert locks.holder("place-1") is None
    if what == "pipe":
        take(tmp_path)
    else:
        with pytest.raises(CatalogError, match="can't be used"):
            take(tmp_path)
    assert not (tmp_path / "elsewhere").exists()


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "locks").write_bytes(b"")
    with pytest.raises(CatalogError, match="local disk"):
        take(tmp_path / "locks")


def test_looking_leaves_nothing_behind(tmp_path: Path) -> None:
    assert PlaceLocks(str(tmp_path / "locks")).holder("place-1") is None
    take(tmp_path / "locks")
    assert PlaceLocks(str(tmp_path / "locks")).holder("place-2") is None
    assert [path.name for path in (tmp_path / "locks").iterdir()] == ["place-1"]


def test_a_disk_without_room_keeps_nobody_from_a_lock(tmp_path: Path) -> None:
    with held_elsewhere(tmp_path, full=True) as child:
        assert (tmp_path / "place-1").read_bytes() == b""
        assert PlaceLocks(str(tmp_path)).holder("place-1") == Holder(process=child.pid, doing="")
        with pytest.raises(PlaceHeldError, match=f"process {child.pid}"):
            take(tmp_path)


def test_what_a_killed_holder_left_is_never_told_of_the_next(tmp_path: Path) -> None:
    with held_elsewhere(tmp_path) as killed:
        killed.kill()
        killed.wait(10)
    left = (tmp_path / "place-1").read_bytes()
    assert left == f"{killed.pid}\nproving Roll 02\n".encode()
    with held_elsewhere(tmp_path, full=True) as next_one:  # no room: the old text might stay
        (tmp_path / "place-1").write_bytes(left)
        assert PlaceLocks(str(tmp_path)).holder("place-1") == Holder(process=next_one.pid, doing="")


@pytest.mark.slow
def test_without_the_systems_own_table_only_a_process_that_runs_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lock, "PROC_LOCKS", str(tmp_path / "none"))
    locks = PlaceLocks(str(tmp_path))
    with held_elsewhere(tmp_path) as child:
        assert locks.holder("place-1") == Holder(process=child.pid, doing="proving Roll 02")
    with held_elsewhere(tmp_path):
        (tmp_path / "place-1").write_text(f"{child.pid}\nproving Roll 02\n")
        assert locks.holder("place-1") == Holder(process=0, doing="")
        for rubbish in (b"\xff\xfe rubbish", b"9" * 900, b"0\n", b"-1\nx", b"", "²".encode()):
            (tmp_path / "place-1").write_bytes(rubbish)
            assert locks.holder("place-1") == Holder(process=0, doing="")
        with pytest.raises(PlaceHeldError) as caught:
            take(tmp_path)
        assert caught.value.process is None
        (tmp_path / "place-1").write_text("1")  # a process of another user, or ours
        assert locks.holder("place-1") == Holder(process=1, doing="")


def test_a_lock_whose_text_is_rubbish_is_told_with_its_process_alone(tmp_path: Path) -> None:
    locks = PlaceLocks(str(tmp_path))
    with locks.hold("a", called="x", doing="b"):
        (tmp_path / "a").write_bytes(b"\xff\xfe rubbish")
        assert locks.holder("a") == Holder(process=os.getpid(), doing="")


@pytest.mark.parametrize(
    ("doing", "told"),
    [
        ("line one\nline two", "line one"),
        ("odd \udcff byte", "odd \\udcff byte"),
        ("lone \ud800", "lone \\ud800"),
        ("ö" * 600, "ö" * 490),
    ],
    ids=["two lines", "odd byte", "no text at all", "long"],
)
def test_whatever_is_done_can_be_told(tmp_path: Path, doing: str, told: str) -> None:
    locks = PlaceLocks(str(tmp_path))
    with locks.hold("a", called="x", doing=doing):
        holder = locks.holder("a")
        assert holder is not None
        assert holder.process == os.getpid()
        assert holder.doing.startswith(told)


@pytest.mark.slow
def test_who_only_looks_keeps_nobody_from_a_lock(tmp_path: Path) -> None:
    take(tmp_path)
    with child_of(LOOK, str(tmp_path)), child_of(LOOK, str(tmp_path)):
        for _ in range(100):
            take(tmp_path)


def test_a_file_system_that_knows_no_locks_is_told_as_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_locks(handle: int, how: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    take(tmp_path)
    monkeypatch.setattr(fcntl, "flock", no_locks)
    with pytest.raises(CatalogError, match="No locks available"):
        take(tmp_path)
    with pytest.raises(CatalogError, match="No locks available"):
        PlaceLocks(str(tmp_path)).holder("place-1")
