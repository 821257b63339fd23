"""Restores to real file systems: names that one can't hold, cold reads, a full and a lost drive, cards."""

import os
from pathlib import Path

import pytest

from tests.real.loopdev import run
from tests.real.main_job_parts import Fs, MiB, fill, kinds, take_in
from tests.stories.typed import offloaded, typed
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, tree

pytest_plugins = ["tests.real.main_job_fixtures"]
pytestmark = pytest.mark.slow

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 5 * MiB + 7),
    "DCIM/100BOATY/a:b?.XML": b"<clip/>\n",
    "DCIM/100BOATY/Same.TXT": b"one",
    "DCIM/100BOATY/SAME.TXT": b"other",
}


def with_a_roll(fs: Fs, yard: Yard) -> Path:
    main, travel = fs("ext4", 160), fs("ext4", 160)
    card = fill(fs("ext4", 32), CARD)
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    return card


@pytest.mark.parametrize("kind", [kinds("ext4"), kinds("xfs"), kinds("exfat")])
def test_a_shoot_comes_back_cold_and_passes_by_itself(fs: Fs, yard: Yard, kind: str) -> None:
    with_a_roll(fs, yard)
    new = fs(kind, 160)
    said = typed(yard, "restore", SHOOT, "--to", new.point, "--json")
    assert said.code == 0, said.all
    assert (said.json["restored_files"], said.json["not_cold"]) == (4, None)
    new.remount()
    back = tree(roll_folder(Path(new.point)))
    assert sorted(back.values()) == sorted(CARD.values())
    renamed = {one["path"].rpartition("/")[2] for one in said.json["renamed"]}
    if kind == "exfat":
        assert "a:b?.XML" in renamed
        assert len(renamed & {"Same.TXT", "SAME.TXT"}) == 1
    else:
        assert (back, renamed) == (CARD, set())
    found = typed(yard, "verify", new.point, "--json")
    assert found.code == 0, found.all
    again = typed(yard, "restore", SHOOT, "--to", new.point, "--json")
    assert (again.code, again.json["kept_files"]) == (0, 4)


@pytest.mark.real("ext4", "exfat")
def test_without_room_and_on_a_card_nothing_is_written(fs: Fs, yard: Yard) -> None:
    card = with_a_roll(fs, yard)
    small = fs("ext4", 16)
    said = typed(yard, "restore", SHOOT, "--to", f"{small.point}/back")
    assert said.code == 3
    assert "bytes are needed" in said.all
    assert not os.path.exists(f"{small.point}/back")
    said = typed(yard, "restore", SHOOT, "--to", f"{card}/back")
    assert said.code == 2
    assert "looks like a card" in said.all
    small.remount(options="ro")
    said = typed(yard, "restore", SHOOT, "--to", small.point)
    assert said.code == 3
    assert "read-only" in said.all


@pytest.mark.real("ext4", "xfs")
def test_a_power_cut_leaves_only_whole_files(fs: Fs, yard: Yard) -> None:
    with_a_roll(fs, yard)
    new = fs("xfs", 300)
    assert typed(yard, "restore", SHOOT, "--to", new.point).code == 0
    run("xfs_io", "-x", "-c", "shutdown", new.point)
    new.remount()
    assert tree(roll_folder(Path(new.point))) == CARD, "what was said to be there is on the medium"


@pytest.mark.real("ext4")
def test_another_mount_inside_the_folder_is_not_written_to(fs: Fs, yard: Yard) -> None:
    with_a_roll(fs, yard)
    new, other = fs("ext4", 160), fs("ext4", 32)
    inside = Path(new.point) / SHOOT
    inside.mkdir()
    run("mount", "--bind", other.point, str(inside))
    try:
        before = sorted(os.listdir(other.point))
        said = typed(yard, "restore", SHOOT, "--to", new.point)
        assert said.code == 3
        assert [one for one in sorted(os.listdir(other.point)) if one != "Originals"] == before
        assert not tree(Path(other.point) / "Originals")
    finally:
        run("umount", str(inside))
