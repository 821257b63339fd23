"""A shoot renamed and a roll moved by hand on real file systems: found by the real commands, not copied again."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.real.loopdev import LoopFs, loop_fs
from tests.stories.yard import clip, tree

pytestmark = [pytest.mark.slow, pytest.mark.real("ext4"), pytest.mark.real("exfat")]
SHOOT = "260612 Boatyard"
ROLL = f"{SHOOT}/Originals/Wide/Roll 01"
CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 9_000_000),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/BOAT0002.XML": b"<clip/>\n",
}
OLD_NS = 1_781_000_001_123_456_789
"""An odd second: exFAT keeps it to 2 s where the tens of milliseconds are not written."""


class Desk:
    """Two real drives and the real commands."""

    def __init__(self, root: Path, main: LoopFs, travel: LoopFs) -> None:
        self.root, self.main, self.travel = root, Path(main.point), Path(travel.point)
        (root / "config.toml").write_text(
            f'[catalog]\npath = "{root}/catalog.sqlite"\n[policy]\ndistinct_devices = false\n'
            'roles = ["primary", "secondary"]\nwipe_needs = ["primary", "secondary"]\n'
        )
        for path, data in CARD.items():
            file = root / "card" / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(data)
            os.utime(file, ns=(OLD_NS, OLD_NS))
        for drive, name, role in ((main, "Main", "primary"), (travel, "Travel", "secondary")):
            self.typed("place", "add", drive.point, "--role", role, "--name", name)
        card = str(root / "card")
        self.typed("offload", card, "--shoot", SHOOT, "--source", "Wide")

    def typed(self, *words: str, code: int = 0) -> dict[str, Any]:
        config = str(self.root / "config.toml")
        command = [sys.executable, "-m", "backupkeeper", "--config", config, *words, "--json"]
        done = subprocess.run(command, capture_output=True, check=False)
        assert done.returncode == code, (done.stdout, done.stderr)
        found: dict[str, Any] = json.loads(done.stdout)
        return found


@pytest.fixture(params=["ext4", "exfat"])
def main(request: pytest.FixtureRequest) -> Iterator[LoopFs]:
    with loop_fs(request.param, 160) as drive:
        yield drive


@pytest.fixture
def desk(tmp_path: Path, main: LoopFs) -> Iterator[Desk]:
    with loop_fs("ext4", 160) as travel:
        yield Desk(tmp_path, main, travel)


def test_it_is_found_proven_cold_and_used_there(desk: Desk, main: LoopFs) -> None:
    (desk.main / SHOOT).rename(desk.main / "Boats")
    main.remount()  # as if it had been plugged into another computer meanwhile
    said = desk.typed("verify", "Main")
    (moved,) = said["moved"]
    assert (moved["was"], moved["now"], moved["files"]) == (SHOOT, "Boats", len(CARD))
    assert (moved["not_cold"], said["matching_files"], said["findings"]) == (0, len(CARD), [])
    (desk.main / "Boats/Originals/Wide/Roll 01/DCIM/100BOATY/BOAT0001.MP4").rename(
        desk.main / "Boats/launch.mp4"
    )
    before = {str(path.relative_to(desk.main)) for path in (desk.main / "Boats").rglob("*")}
    assert [one["now"] for one in desk.typed("verify", "Main")["moved"]] == ["Boats/launch.mp4"]
    assert desk.typed("mirror")["copied_files"] == 0
    assert {str(path.relative_to(desk.main)) for path in (desk.main / "Boats").rglob("*")} == before
    assert not (desk.main / SHOOT).exists()
    desk.typed("gaps")
    desk.typed("may-wipe", str(desk.root / "card"))  # exits with 0 for yes only
    desk.travel.joinpath(ROLL).rename(desk.travel / "aside")
    desk.typed("restore", SHOOT, "--to", str(desk.root / "out"), "--from", "Main", "--yes")
    assert tree(desk.root / "out" / ROLL) == CARD


def test_a_name_in_another_case_is_the_same_where_the_file_system_says_so(
    desk: Desk, main: LoopFs
) -> None:
    folder = desk.main / ROLL / "DCIM/100BOATY"
    (folder / "BOAT0001.MP4").rename(folder / "boat0001.mp4")
    (desk.main / SHOOT).rename(desk.main / SHOOT.upper())
    said = desk.typed("verify", "Main")
    assert (said["findings"], said["matching_files"]) == ([], len(CARD))
    assert bool(said["moved"]) is (main.kind == "ext4")
    said = desk.typed("verify", "Main")
    assert (said["findings"], said["matching_files"], said["moved"]) == ([], len(CARD), [])
    assert desk.typed("mirror")["copied_files"] == 0


def test_rolls_that_swapped_folders_and_clips_that_swapped_names_are_known_there(
    desk: Desk, main: LoopFs
) -> None:
    """Alike in names, sizes and times: only their bytes tell which is which."""
    second = {path: data[::-1].replace(b"\x00", b"\x07") for path, data in CARD.items()}
    for path, data in second.items():
        file = desk.root / "second" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
        os.utime(file, ns=(OLD_NS, OLD_NS))
    desk.typed("offload", str(desk.root / "second"), "--shoot", SHOOT, "--source", "Wide")
    other = ROLL.replace("Roll 01", "Roll 02")
    for old, new in [(ROLL, "aside"), (other, ROLL), ("aside", other)]:
        (desk.main / old).rename(desk.main / new)
    main.remount()
    before = {path: path.read_bytes() for path in desk.main.rglob("ascmhl/*")}
    said = desk.typed("verify", "Main")
    assert (said["findings"], said["matching_files"]) == ([], 2 * len(CARD)), said
    assert {(one["was"], one["now"], one["files"], one["not_cold"]) for one in said["moved"]} == {
        (ROLL, other, len(CARD), 0),
        (other, ROLL, len(CARD), 0),
    }
    folder = desk.main / ROLL / "DCIM/100BOATY"
    for old, new in [
        ("BOAT0001.MP4", "x"),
        ("BOAT0002.MP4", "BOAT0001.MP4"),
        ("x", "BOAT0002.MP4"),
    ]:
        (folder / old).rename(folder / new)
    said = desk.typed("verify", "Main")
    assert (said["findings"], said["matching_files"], len(said["moved"])) == ([], 2 * len(CARD), 2)
    assert desk.typed("mirror")["copied_files"] == 0
    assert desk.typed("repair", "Main")["mended"] == []
    assert {path: path.read_bytes() for path in desk.main.rglob("ascmhl/*")} == before
    for card in ("card", "second"):
        desk.typed("may-wipe", str(desk.root / card))
