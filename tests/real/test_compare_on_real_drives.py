"""Two drives held against each other on real file systems, and nothing is written to them."""

from pathlib import Path

import pytest

from tests.real.main_job_parts import CARD, Fs, fill, take_in
from tests.stories.typed import offloaded, typed
from tests.stories.yard import Yard

pytest_plugins = ["tests.real.main_job_fixtures"]
pytestmark = pytest.mark.slow


@pytest.mark.real("ext4", "exfat")
def test_bytes_that_changed_behind_every_cache_show_when_it_is_read(fs: Fs, yard: Yard) -> None:
    main, travel, card = fs("ext4", 160), fs("exfat", 160), fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    main.remount()
    travel.remount()
    for more in ([], ["--read"]):
        said = typed(yard, "compare", "Main", "Travel", "--json", *more)
        assert said.code == 0, said.all
        assert said.json["same_files"] == len(CARD)
    main.unmount()
    travel.unmount()
    main.spoil(b"<clip/>\n", b"<salt/>\n")
    main.mount()
    travel.mount()
    assert typed(yard, "compare", "Main", "Travel").code == 0  # size and time are as they were
    said = typed(yard, "compare", "Main", "Travel", "--read", "--json")
    assert said.code == 1
    assert len(said.json["other_content"]) == 1
    travel.detach()
    assert typed(yard, "compare", "Main", "Travel").code == 3


@pytest.mark.real("ext4")
def test_drives_that_are_mounted_read_only_are_compared_and_not_touched(fs: Fs, yard: Yard) -> None:
    main, travel, card = fs("ext4", 160), fs("ext4", 160), fill(fs("ext4", 32))
    take_in(yard, main, "primary", "Main")
    take_in(yard, travel, "secondary", "Travel")
    assert offloaded(yard, card).code == 0
    for drive in (main, travel):
        drive.remount(options="ro")
    images = [Path(drive.backing).read_bytes() for drive in (main, travel)]
    assert typed(yard, "compare", "Main", "Travel", "--read").code == 0
    assert typed(yard, "compare", main.point, travel.point, "--read").code == 0
    for drive in (main, travel):
        drive.unmount()
    assert images == [Path(drive.backing).read_bytes() for drive in (main, travel)]
