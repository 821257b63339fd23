"""A drive that is here and lost its marker: never a card, counted by nobody, taken back by a word."""

import json
import os
import shutil
from pathlib import Path

import pytest

from tests.real.daemon_stand import DaemonStand, originals
from tests.real.main_job_parts import Fs, fill, take_in
from tests.stories.typed import judged, offloaded, typed
from tests.stories.yard import Yard

pytest_plugins = ["tests.real.main_job_fixtures"]
pytestmark = [pytest.mark.real("ext4"), pytest.mark.slow]


def robbed(root: Path, how: str) -> None:
    marker = root / ".backupkeeper/place.json"
    if how == "gone":
        marker.unlink()
    elif how == "spoiled":
        marker.write_bytes(os.urandom(300))
    else:
        shutil.rmtree(marker.parent)


@pytest.mark.parametrize("how", ["gone", "spoiled", "folder gone"])
@pytest.mark.parametrize("folder", [False, True], ids=["drive", "folder"])
def test_it_is_told_everywhere_and_counts_again_once_it_was_read(
    fs: Fs, yard: Yard, how: str, folder: bool
) -> None:
    main, travel, card = fs("ext4", 160), fs("ext4", 160), fill(fs("ext4", 32))
    root = Path(main.point)
    if folder:
        root /= "Footage"
        root.mkdir()
        words = ("place", "add", str(root), "--role", "primary", "--name", "Main", "--folder")
        assert typed(yard, *words).code == 0
    else:
        take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    robbed(root, how)
    assert judged(yard, card)[0] == "no"
    mark = "its marker is gone or spoiled"
    assert mark in " ".join(typed(yard, "place", "list").all.split())
    status = typed(yard, "status")
    assert status.code == 1
    assert "here without its marker" in " ".join(status.all.split())
    report = typed(yard, "report")
    assert report.code == 1
    assert "Main is here without its marker" in " ".join(report.all.split())
    assert 'backupkeeper place found "Main"' in report.all or "place found Main" in report.all
    told = {one["name"]: one for one in typed(yard, "report", "--json").json["drives"]}
    assert told["Main"]["without_marker"]
    assert not told["Travel"]["without_marker"]

    assert typed(yard, "place", "found", "Main").code == 1
    assert judged(yard, card) == ("no", {"not-proven"}), "it is to be read first"
    assert "Nothing was copied" in typed(yard, "mirror").out
    assert typed(yard, "verify", "Main").code == 0
    assert judged(yard, card) == ("yes", set())
    told = {one["name"]: one for one in typed(yard, "report", "--json").json["drives"]}
    assert not told["Main"]["without_marker"]


def test_one_that_is_away_or_was_formatted_is_not_taken_back(fs: Fs, yard: Yard) -> None:
    main, other = fs("ext4", 32), fs("ext4", 32)
    take_in(yard, main, "primary", "Main")
    assert typed(yard, "place", "found", "Main").code == 2, "it is here, and whole"
    point = main.point
    main.detach()
    said = typed(yard, "place", "found", "Main")
    assert (said.code, "nothing to take back" in " ".join(said.err.split())) == (2, True)
    assert not (Path(point) / ".backupkeeper").exists()
    assert not (Path(other.point) / ".backupkeeper").exists(), (
        "another file system is another drive"
    )


def test_the_daemon_takes_it_for_no_card_and_goes_on_at_a_word(tmp_path: Path) -> None:
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main")
        stand.drive("ext4", "secondary", "Travel")
        card = stand.card("ext4")
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("this card may be wiped")
            before = originals(main)
            card.unmount()
            daemon.wait_for("is gone")
            main.unmount()
            daemon.wait_for("Main is gone")
            main.mount()
            daemon.wait_for("Main is here")
            main.unmount()
            main.mount()
            robbed(Path(main.point), "folder gone")
            main.unmount()
            main.mount()
            daemon.until(
                lambda: "here without its marker" in stand.typed("status", code=None),
                "nothing was said of it",
            )
            status = json.loads(stand.typed("status", "--json", code=None))
            assert status["cards"] == []
            stand.typed("place", "found", "Main", code=1)
            daemon.until(lambda: stand.gaps() == [], "it was not read again")
            status = json.loads(stand.typed("status", "--json", code=None))
            assert [one["name"] for one in status["drives"] if one["point"]] == ["Main", "Travel"]
        assert originals(main) == before
