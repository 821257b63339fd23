"""A shoot handed over onto a file system that can't hold every name: exFAT, as clients have it."""

import os
import subprocess
from pathlib import Path

import pytest

from tests.real.main_job_parts import Fs, MiB, fill, take_in
from tests.stories.typed import offloaded, typed
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, tree

pytest_plugins = ["tests.real.main_job_fixtures"]
pytestmark = [pytest.mark.slow, pytest.mark.real("ext4", "exfat")]

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 5 * MiB + 7),
    "DCIM/100BOATY/a:b?.XML": b"<clip/>\n",
    "DCIM/100BOATY/Same.TXT": b"one",
    "DCIM/100BOATY/SAME.TXT": b"other",
}
PLAIN = {"DCIM/100BOATY/BOAT0001.MP4": clip(1, 5 * MiB + 7), "DCIM/100BOATY/é.XML": b"<clip/>\n"}


@pytest.mark.parametrize("form", ["mhl", "bagit"])
def test_what_is_handed_over_on_exfat_can_be_checked_there(fs: Fs, yard: Yard, form: str) -> None:
    main = fs("ext4", 160)
    take_in(yard, main, "primary", "Main")
    assert offloaded(yard, fill(fs("ext4", 32), CARD)).code == 0
    client = fs("exfat", 160)
    said = typed(yard, "export", SHOOT, "--to", client.point, "--format", form, "--json")
    assert said.code == 0, said.all
    assert (said.json["closed"], said.json["not_cold"]) == (True, None)
    assert len(said.json["renamed"]) == 2
    client.remount()
    root = Path(client.point)
    if form == "bagit":
        root = root / SHOOT / "data"
        for name in ("manifest-sha512.txt", "tagmanifest-sha512.txt"):
            text = (root.parent / name).read_bytes()
            # RFC 8493 encodes the % that our own names carry; the tool takes names as they stand.
            (yard.root / name).write_bytes(text.replace(b"%25", b"%"))
            subprocess.run(
                ["sha512sum", "--strict", "--quiet", "-c", str(yard.root / name)],
                cwd=root.parent,
                check=True,
                env=os.environ,
            )
    assert sorted(tree(roll_folder(root)).values()) == sorted(CARD.values())
    assert typed(yard, "verify", str(root)).code == 0
    theirs = roll_folder(root) if form == "mhl" else root.parent
    found = typed(yard, "import", str(theirs), "--dry-run", "--json")
    assert (found.code, found.json["flaws"]) == (0, []), found.all


def test_what_comes_on_exfat_is_taken_in_onto_ext4(
    fs: Fs, yard: Yard, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    del tmp_path
    theirs = Yard(tmp_path_factory.mktemp("theirs"))
    theirs.drives()
    assert offloaded(theirs, theirs.card("card", PLAIN)).code == 0
    sent = fs("exfat", 160)
    words = ("export", "Wide/Roll 01", "--to", sent.point, "--format", "mhl")
    assert typed(theirs, *words).code == 0
    sent.remount()
    for name, role in (("Main", "primary"), ("Travel", "secondary")):
        take_in(yard, fs("ext4", 160), role, name)
    roll = roll_folder(Path(sent.point))
    asked = ("import", str(roll), "--shoot", "260613 Boatyard", "--source", "Drone", "--json")
    said = typed(yard, *asked)
    assert said.code == 0, said.all
    assert (said.json["history_continued"], said.json["not_cold"]) == (True, {})
    assert set(said.json["proven_at"].values()) == {said.json["files"]}
    assert typed(yard, "verify", "260613 Boatyard").code == 0


def test_a_drive_without_room_is_told_before_anything_is_written(
    fs: Fs, yard: Yard, tmp_path_factory: pytest.TempPathFactory
) -> None:
    theirs = Yard(tmp_path_factory.mktemp("theirs"))
    theirs.drives()
    assert offloaded(theirs, theirs.card("card", CARD)).code == 0
    sent = tmp_path_factory.mktemp("sent")
    words = ("export", "Wide/Roll 01", "--to", str(sent), "--format", "mhl")
    assert typed(theirs, *words).code == 0
    roll = str(roll_folder(sent))
    asked = ("import", roll, "--shoot", "260613 Boatyard", "--source", "Drone", "--json")
    small = fs("ext4", 16)
    take_in(yard, small, "secondary", "Travel")
    said = typed(yard, *asked)
    assert (said.code, "Nothing was written." in said.all) == (3, True)
    assert not (Path(small.point) / "260613 Boatyard").exists()
    take_in(yard, fs("ext4", 160), "primary", "Main")
    said = typed(yard, *asked)
    assert (said.code, said.json["sealed"]) == (1, True)
    assert [one["place"] for one in said.json["troubles"]] == ["Travel"]
    assert list(said.json["proven_at"]) == ["Main"]


def test_a_drive_that_can_not_hold_its_names_gets_a_history_of_its_own(
    fs: Fs, yard: Yard, tmp_path_factory: pytest.TempPathFactory
) -> None:
    theirs = Yard(tmp_path_factory.mktemp("theirs"))
    theirs.drives()
    assert offloaded(theirs, theirs.card("card", CARD)).code == 0
    sent = tmp_path_factory.mktemp("sent")
    words = ("export", "Wide/Roll 01", "--to", str(sent), "--format", "mhl")
    assert typed(theirs, *words).code == 0
    main, travel = fs("ext4", 160), fs("exfat", 160)
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    asked = ("--shoot", "260613 Boatyard", "--source", "Drone", "--json")
    said = typed(yard, "import", str(roll_folder(sent)), *asked)
    assert said.code == 0, said.all
    assert "Travel: the delivered history is not gone on with" in said.all
    rolls = [Path(one.point) / "260613 Boatyard/Originals/Drone/Roll 01" for one in (main, travel)]
    assert [len(list((roll / "ascmhl").glob("*.mhl"))) for roll in rolls] == [3, 1]
    assert typed(yard, "verify", "260613 Boatyard").code == 0
