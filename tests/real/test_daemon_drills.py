"""The daemon makes the restore drill that is due by itself: a real daemon, real drives, a real store."""

import json
import signal
from pathlib import Path

import pytest

from tests.real.daemon_stand import CARD, DaemonStand
from tests.real.store import Server

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = [pytest.mark.real("ext4", "xfs", "store"), pytest.mark.slow]
SHOOT = "260612 Boatyard"


def test_a_drill_that_is_due_is_made_without_a_keystroke_and_leaves_nothing(
    tmp_path: Path, radosgw: Server
) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    (scratch / "mine.txt").write_text("mine")
    drills = f'[proofs]\ndrill_months = 3\ndrill_folder = "{scratch}"\n'
    with DaemonStand(tmp_path, roles=("primary", "secondary", "cloud")) as stand:
        stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        stand.bucket(radosgw)
        with stand.running() as daemon:
            card = stand.card("ext4")
            card.mount(options="ro")
            daemon.wait_for("this card may be wiped")
            assert not any("restore drill" in one for one in daemon.said())
            # Asked for while it runs: the new configuration is heeded at once. What is there is too much.
            stand.configure(f"{drills}bucket_month_gb = 0.001\n")
            daemon.process.send_signal(signal.SIGHUP)
            daemon.wait_for("The configuration was read anew.")
            told = json.loads(stand.typed("status", "--json", code=None))
            (why,) = [one["why"] for one in told["waiting"] if "restore drill" in one["what"]]
            assert f"backupkeeper drill '{SHOOT}' --to {scratch}" in why
            stand.configure(drills)
            daemon.process.send_signal(signal.SIGHUP)
            daemon.wait_for(
                f"restore drill {SHOOT} from Off site begins",
                f"{SHOOT} came back whole: {len(CARD)} files, each compared.",
            )
            told = json.loads(stand.typed("status", "--json", code=None))
        assert f"{SHOOT} from Off site: all {len(CARD)} files came back right." in told["drill"]
        assert [path.name for path in scratch.iterdir()] == ["mine.txt"]
        assert sum("restore drill" in one and "begins" in one for one in daemon.said()) == 1
