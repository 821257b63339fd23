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
