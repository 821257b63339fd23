"""The daemon fills the gap that a lost drive leaves, and reads one that is back from the dead."""

import json
from pathlib import Path

import pytest

from tests.real.daemon_stand import DaemonStand, expected, originals

pytestmark = [pytest.mark.real("ext4"), pytest.mark.slow]


def test_a_lost_drive_is_made_up_for_and_counts_again_once_it_was_read(tmp_path: Path) -> None:
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main")
        stand.drive("ext4", "secondary", "Travel")
        card = stand.card("ext4")
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("this card may be wiped")
            main.unmount()
            daemon.wait_for("Main is gone")
            new = stand.file_system("ext4")
            stand.typed(
                *("place", "replace", "Main", new.point, "--name", "Main 2", "--yes"), code=1
            )
            daemon.until(lambda: stand.gaps() == [], "the new drive was not filled")
            assert originals(new) == expected()

            main.mount()  # it was in the other bag all the time
            daemon.until(
                lambda: "place found" in stand.typed("status", code=None),
                "nothing was said of the drive that is back",
            )
            stand.typed("place", "lost", "Main 2", "--yes", code=1)
            assert stand.gaps() == ["Roll 01: primary"]
            stand.typed("place", "found", "Main", code=1)
            assert stand.gaps() == ["Roll 01: primary"]
            daemon.until(lambda: stand.gaps() == [], "the old drive was not read again")
            status = json.loads(stand.typed("status", "--json", code=None))
            assert {one["name"] for one in status["drives"]} == {"Main", "Travel"}
        assert originals(main) == expected()
