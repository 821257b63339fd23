"""What is said and done about copies on a drive whose sectors can't be read: the real command line."""

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.core.model import Role
from tests.real.fuse_with_holes import BadDrive, bad_drive, holey
from tests.real.main_job_parts import Fs, fill, take_in
from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import Yard, clip, roll_folder, tree

pytest_plugins = ["tests.real.main_job_fixtures"]
pytestmark = [pytest.mark.slow, pytest.mark.real("ext4", "fuse")]

FILES = {"BOAT0001.MP4": clip(1, 9_000_001), "BOAT0002.MP4": clip(2)}
HURT = [(5_000, 5_001), (8_389_000, 8_400_000)]
SECTORS = [[4_608, 5_120], [8_388_608, 8_400_384]]


@dataclass(frozen=True, kw_only=True)
class Stand:
    """A yard whose Main has sectors that can be made bad; one roll is on both drives."""

    yard: Yard
    main: BadDrive
    travel: Path

    @property
    def roll(self) -> Path:
        return roll_folder(Path(self.main.point))

    def hurt(self, name: str = "BOAT0001.MP4") -> None:
        self.main.hurt(str(self.roll / name), HURT)


@pytest.fixture
def stand(yard: Yard, fs: Fs, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stand]:
    folder = tmp_path_factory.mktemp("bad")
    with bad_drive(str(folder), "ext4", 160) as main:
        travel = fs("ext4", 160)
        take_in(yard, main.drive, "primary", "Main")
        take_in(yard, travel, "secondary", "Travel")
        said = offloaded(yard, fill(fs("ext4", 32), FILES))
        assert said.code == 0, said.all
        yield Stand(yard=yard, main=main, travel=Path(travel.point))
        main.set([])


def findings(told: Any) -> list[tuple[str, str, list[list[int]], bool]]:
    return [
        (one["path"].rpartition("/")[2], one["finding"], one["damage"], one["cold"])
        for one in told["findings"]
    ]


def test_the_very_sectors_are_told_and_nothing_else_is_wrong(stand: Stand) -> None:
    assert typed(stand.yard, "verify", "Main").code == 0
    stand.hurt()
    said = typed(stand.yard, "verify", "Main", "--json")
    assert said.code == 1
    assert findings(said.json) == [("BOAT0001.MP4", "unreadable", SECTORS, True)]
    assert said.json["matching_files"] == 1
    plain = typed(stand.yard, "verify", "Main")
    assert plain.code == 1
    assert "4,608 to 5,119" in " ".join(plain.out.split())
    assert tree(roll_folder(stand.travel)) == FILES
    stand.main.set([])  # another cable, say
    assert typed(stand.yard, "verify", "Main").code == 0


def test_it_is_mended_from_the_other_drive_onto_sectors_that_can_be_read(stand: Stand) -> None:
    stand.hurt()
    assert typed(stand.yard, "verify", "Main").code == 1
    said = typed(stand.yard, "repair", "Main", "--json")
    assert said.code == 0, said.all
    (mended,) = said.json["mended"]
    assert (mended["found"], mended["proven"]) == ("unreadable", True)
    assert mended["unreadable"] == SECTORS
    assert tree(stand.roll) == FILES
    assert typed(stand.yard, "verify", "Main").code == 0


def test_two_bad_copies_of_one_file_make_each_other_whole(stand: Stand) -> None:
    stand.hurt()
    other = roll_folder(stand.travel) / "BOAT0001.MP4"
    before = other.stat()
    with other.open("r+b") as file:
        file.seek(4_300_000)
        file.write(b"rot")
    os.utime(other, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert typed(stand.yard, "verify").code == 1
    said = typed(stand.yard, "repair", "--json")
    assert said.code == 0, said.all
    assert {one["found"] for one in said.json["mended"]} == {"unreadable", "damaged"}
    assert tree(stand.roll) == tree(roll_folder(stand.travel)) == FILES
    assert typed(stand.yard, "verify").code == 0


def test_a_drive_that_gives_nothing_any_more_is_told_as_gone_and_no_copy_as_bad(
    stand: Stand,
) -> None:
    stand.main.set([(0, 1 << 40)])
    said = typed(stand.yard, "verify", "Main")
    assert said.code == 3, said.all
    assert "unreadable" not in said.out
    stand.main.set([])
    assert typed(stand.yard, "verify", "Main").code == 0


def test_through_fuse_whole_pages_are_told_and_it_is_never_called_cold(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with holey(str(tmp_path_factory.mktemp("fuse"))) as mount:
        yard = yard_of_today(tmp_path)
        said = typed(
            yard, "place", "add", mount.point, "--folder", "--role", "primary", "--name", "Main"
        )
        assert said.code == 0, said.all
        yard.drive("Travel", Role.SECONDARY)
        assert offloaded(yard, yard.card("card", FILES)).code == 1  # nothing is proven on FUSE
        path = roll_folder(Path(mount.point)) / "BOAT0001.MP4"
        mount.set({os.path.relpath(path, mount.point): HURT})
        said = typed(yard, "verify", "Main", "--json")
    assert said.code == 1
    pages = [[4_096, 8_192], [8_388_608, 8_400_896]]
    assert findings(said.json) == [("BOAT0001.MP4", "unreadable", pages, False)]


@pytest.mark.parametrize("name", FILES)
def test_nobody_waits_for_a_failing_drive_who_wants_to_stop(
    name: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """All of a file is bad and slow to say so; both kinds of reading (with a thread and without)."""
    with holey(str(tmp_path_factory.mktemp("fuse"))) as mount:
        yard = yard_of_today(tmp_path)
        typed(yard, "place", "add", mount.point, "--folder", "--role", "primary", "--name", "Main")
        yard.drive("Travel", Role.SECONDARY)
        offloaded(yard, yard.card("card", FILES))
        path = roll_folder(Path(mount.point)) / name
        mount.set({os.path.relpath(path, mount.point): [(300, 1 << 30)]}, delay_s=0.05)
        config = str(yard.root / "config.toml")
        command = [sys.executable, "-m", "backupkeeper", "--config", config, "verify", "Main"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as program:
            tick = threading.Event()
            while sum(one.failed for one in mount.asked()) < 20 and program.poll() is None:
                tick.wait(0.02)
            program.send_signal(signal.SIGINT)
            # Its patience would last 120 s.
            out, err = program.communicate(timeout=60)
    assert b"Traceback" not in out + err
    assert program.returncode != 0


@pytest.mark.real("strace")
@pytest.mark.parametrize(
    ("when", "code", "found"),
    [
        ("1", 0, []),
        ("1+", 1, [("BOAT0002.MP4", "unreadable", [[0, 300_000]], True)]),
    ],
)
def test_reads_that_fail_once_or_always(
    stand: Stand, when: str, code: int, found: list[object]
) -> None:
    """The fault comes from outside, between the program and the kernel."""
    path = stand.roll / "BOAT0002.MP4"
    trap = f"inject=pread64,preadv,preadv2:error=EIO:when={when}"
    command = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", trap, "-P", str(path)]
    config = str(stand.yard.root / "config.toml")
    program = [sys.executable, "-m", "backupkeeper", "--config", config]
    done = subprocess.run(
        [*command, *program, "verify", "Main", "--json"],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == code, done.stdout + done.stderr
    assert findings(json.loads(done.stdout)) == found
