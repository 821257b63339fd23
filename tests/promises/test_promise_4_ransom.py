"""Somebody's program makes one drive, and the catalog, unreadable: nothing of it is carried to the other.

What such a program may leave: files with other bytes in place; or with other names; and all that is
ours along with them.
"""

import os
import shutil
from pathlib import Path

import pytest

from backupkeeper.core.outcomes import Answer
from backupkeeper.core.rebuilding import RebuildWish
from backupkeeper.core.restoring import Asked
from tests.real.main_job_parts import Fs, fill, take_in
from tests.stories.test_rebuild import lose_catalog
from tests.stories.typed import judged, offloaded, typed
from tests.stories.yard import QUIET, Yard, clip, roll_folder, tree

pytest_plugins = ["tests.real.main_job_fixtures"]
CARD = {f"DCIM/BOAT{n:04}.MP4": clip(n) for n in range(8)} | {"MISC/INDEX.DAT": b"index"}


def scrambled(folder: Path, ending: str, *, ours: bool) -> None:
    """Every file with its bytes turned over, renamed where there is an ending."""
    for path in [one for one in folder.rglob("*") if one.is_file()]:
        if ours or ".backupkeeper" not in path.parts:
            path.write_bytes(bytes(one ^ 0xA5 for one in path.read_bytes()))
            if ending:
                path.rename(f"{path}{ending}")


def lying(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Every file of rolls there, with its time."""
    return {
        str(path): (path.read_bytes(), os.stat(path).st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".backupkeeper" not in path.parts and "ascmhl" not in path.parts
    }


@pytest.mark.parametrize("ending", ["", ".paid"])
@pytest.mark.parametrize("ours", [False, True], ids=["originals", "all that lies there"])
def test_what_one_drive_suffered_is_not_carried_to_the_other(
    tmp_path: Path, ending: str, ours: bool
) -> None:
    yard = Yard(tmp_path)
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    before = lying(travel)
    scrambled(main, ending, ours=ours)
    for _ in range(2):
        yard.verify()
        yard.mirror()
        yard.repair()
    assert lying(travel) == before
    verdict = yard.verdict(card)
    if ours:  # who scrambles its marker, too, makes it a drive that is away, and that is said
        assert any("last proof" in note for note in verdict.warnings)
    else:
        is_whole = CARD.items() <= tree(roll_folder(main)).items()
        assert (verdict.answer is Answer.YES) is is_whole


def test_with_the_catalog_gone_too_the_other_drive_gives_everything_back(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    main, travel = yard.drives()
    yard.offload(yard.card("card", CARD))
    scrambled(main, ".paid", ours=True)
    lose_catalog(yard)
    with yard.keeper() as keeper:
        keeper.rebuild(RebuildWish(sources=(str(travel),)), progress=QUIET)
        asked = Asked(what="260612 Boatyard", to=str(tmp_path / "back"))
        outcome = keeper.restore(asked, agree=lambda _: True, progress=QUIET)
    assert outcome.all_well
    back = next((tmp_path / "back").rglob("Roll 01"))
    assert tree(back) == CARD


@pytest.mark.real("ext4")
@pytest.mark.slow
@pytest.mark.parametrize("how", ["gone", "scrambled", "folder gone"])
def test_a_drive_that_is_here_and_lost_its_marker_is_none_that_is_away(
    fs: Fs, yard: Yard, how: str
) -> None:
    """Its last proofs speak of a drive in a bag; this one is here, and somebody was at it."""
    main, travel, card = fs("ext4", 160), fs("ext4", 160), fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    assert judged(yard, card) == ("yes", set())
    marker = Path(main.point) / ".backupkeeper/place.json"
    if how == "gone":
        marker.unlink()
    elif how == "scrambled":
        marker.write_bytes(os.urandom(300))
    else:
        shutil.rmtree(marker.parent)
    word, _ = judged(yard, card)
    assert word == "no"
    said = " ".join(typed(yard, "may-wipe", str(card)).all.split())
    assert f"Main is at {main.point}, but its marker is gone or spoiled" in said
    main.detach()
    assert judged(yard, card) == ("yes", set()), "away, it counts as any other"
