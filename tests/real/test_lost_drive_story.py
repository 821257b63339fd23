"""A drive is lost and replaced, on real file systems; the old one comes back from the dead."""

import os
from pathlib import Path

import pytest

from tests.real.main_job_parts import CARD, Fs, fill, kinds, take_in
from tests.stories.typed import judged, offloaded, typed
from tests.stories.yard import Yard, roll_folder, tree

pytest_plugins = ["tests.real.main_job_fixtures"]
pytestmark = pytest.mark.slow


@pytest.mark.parametrize(("old_kind", "new_kind"), [kinds("ext4", "exfat"), kinds("exfat", "ext4")])
def test_lost_replaced_filled_yes_and_the_old_one_counts_once_it_is_read(
    fs: Fs, yard: Yard, old_kind: str, new_kind: str
) -> None:
    main, travel, new = fs(old_kind, 160), fs("ext4", 160), fs(new_kind, 160)
    card = fill(fs("exfat", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    assert judged(yard, card) == ("yes", set())

    main.detach()  # it fell into the harbour
    assert judged(yard, card) == ("yes", set())  # till somebody says that it is lost
    told = typed(yard, "place", "lost", "Main", "--dry-run", "--json").json
    size = sum(map(len, CARD.values()))
    assert told["from"] == [{"place": "Travel", "files": len(CARD), "bytes": size}]
    replaced = ("place", "replace", "Main", new.point, "--name", "Main 2")
    assert typed(yard, *replaced).code == 2  # it wants a word
    assert os.listdir(new.point) in ([], ["lost+found"])
    assert typed(yard, *replaced, "--yes").code == 1
    assert judged(yard, card) == ("no", {"out-of-reach"})
    assert typed(yard, "mirror").code == 0
    new.remount()
    assert tree(roll_folder(Path(new.point))) == CARD
    assert judged(yard, card) == ("yes", set())

    new.detach()
    main.replug()  # a diver brings the old one
    said = " ".join(typed(yard, "status").out.split())
    assert f"Main is at {main.point}, and counts as lost" in said
    before = tree(Path(main.point))
    typed(yard, "mirror")
    assert tree(Path(main.point)) == before, "nothing is written to it"
    assert typed(yard, "place", "lost", "Main 2", "--yes").code == 1
    assert judged(yard, card) == ("no", {"out-of-reach"})
    assert typed(yard, "place", "found", "Main").code == 1
    assert judged(yard, card) == ("no", {"not-proven"})
    assert typed(yard, "verify", "Main").code == 0
    assert judged(yard, card) == ("yes", set())


@pytest.mark.real("ext4")
def test_the_sea_water_is_found_before_the_old_drive_counts(fs: Fs, yard: Yard) -> None:
    main, travel, card = fs("ext4", 160), fs("ext4", 160), fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    assert typed(yard, "place", "lost", "Main", "--yes").code == 1
    main.unmount()
    main.spoil(b"<clip/>\n", b"<salt/>\n")
    main.mount()
    assert typed(yard, "place", "found", "Main").code == 1
    assert judged(yard, card)[0] == "no"
    assert typed(yard, "verify", "Main").code == 1
    assert judged(yard, card) == ("no", {"damaged"})
    assert typed(yard, "repair").code == 0
    assert judged(yard, card) == ("yes", set())


@pytest.mark.real("exfat")
def test_a_drive_that_is_renamed_while_it_is_away_tells_its_name_after_the_next_work(
    fs: Fs, yard: Yard
) -> None:
    main, card = fs("exfat", 160), fill(fs("exfat", 32))
    take_in(yard, main, "primary", "Main")
    offloaded(yard, card)
    main.detach()
    assert typed(yard, "place", "rename", "Main", "Harbour").code == 0
    main.replug()
    marker = Path(main.point) / ".backupkeeper/place.json"
    assert '"Main"' in marker.read_text()
    assert typed(yard, "verify", "Harbour").code == 0
    assert '"Harbour"' in marker.read_text()
