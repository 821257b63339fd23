"""A restored folder without this program: Debian's ``xxhsum`` and ``xmllint`` read its manifests."""

import subprocess
from pathlib import Path

import pytest
from lxml import etree

from backupkeeper.core.restoring import Asked
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder

CARD = {"DCIM/W 0001.MOV": clip(1), "DCIM/é.XML": b"<clip/>\n", "EMPTY.DAT": b""}
NS = "{urn:ASC:MHL:v2.0}"


@pytest.mark.real("xmllint", "xxhsum")
def test_common_tools_check_a_restored_roll_from_its_manifest_alone(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.drives()
    yard.offload(yard.card("card", CARD))
    with yard.keeper() as keeper:
        asked = Asked(what=SHOOT, to=str(tmp_path / "back"))
        assert keeper.restore(asked, agree=lambda _: True, progress=QUIET).all_well
    back = roll_folder(tmp_path / "back")
    (manifest,) = (back / "ascmhl").glob("*.mhl")
    subprocess.run(["xmllint", "--noout", str(manifest)], check=True)
    lines = [
        f"{found.findtext(f'{NS}xxh128')}  {found.findtext(f'{NS}path')}\n"
        for found in etree.parse(str(manifest)).iter(f"{NS}hash")
    ]
    assert len(lines) == len(CARD)

    def checked() -> int:
        return subprocess.run(
            ["xxhsum", "--check"], input="".join(lines), text=True, cwd=back, check=False
        ).returncode

    assert checked() == 0
    (back / "DCIM/W 0001.MOV").write_bytes(clip(2))
    assert checked() != 0
