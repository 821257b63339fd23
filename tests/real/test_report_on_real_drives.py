"""The report's page never goes onto a card, and says so of a drive that takes nothing."""

from pathlib import Path

import pytest

from tests.real.main_job_parts import Fs, fill, take_in
from tests.stories.typed import offloaded, typed
from tests.stories.yard import Yard, clip, tree

pytest_plugins = ["tests.real.main_job_fixtures"]
pytestmark = [pytest.mark.slow, pytest.mark.real("ext4")]


def test_not_on_a_card_nor_on_what_is_read_only_but_on_a_drive(fs: Fs, yard: Yard) -> None:
    main, other = fs("ext4", 160), fs("ext4", 16)
    card = fill(fs("ext4", 16), {"DCIM/A.MP4": clip(1)})
    take_in(yard, main, "primary", "Main")
    assert offloaded(yard, card).code == 0
    before = tree(Path(card))
    for folder in (card, card / "DCIM"):
        said = typed(yard, "report", "--html", f"{folder}/report.html")
        assert (said.code, "looks like a card" in said.err) == (2, True)
    assert tree(Path(card)) == before
    assert typed(yard, "report", "--html", f"{main.point}/report.html").code == 1
    assert (Path(main.point) / "report.html").is_file()
    other.remount(options="ro")
    said = typed(yard, "report", "--html", f"{other.point}/report.html")
    assert (said.code, "read-only" in said.err) == (3, True)
