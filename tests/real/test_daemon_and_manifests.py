"""The line breaks between a roll's last file and its manifest: the daemon brings that alone, and once.

A real daemon and real drives; our own store behind a line that breaks just there.
"""

from pathlib import Path

import pytest

from backupkeeper.core.model import Role
from backupkeeper.wiring import open_keeper
from tests.real.daemon_stand import CARD, DaemonStand
from tests.real.store import Server
from tests.stories.test_owed_manifests import NoChain, listed
from tests.stories.yard import QUIET
from tests.world.bad_line import BadLine

pytest_plugins = ["tests.real.store_fixtures", "tests.stories.over_the_line"]
pytestmark = [pytest.mark.real("ext4"), pytest.mark.slow]


def test_a_manifest_that_lacks_is_brought_by_the_daemon_alone(
    tmp_path: Path,
    strict: Server,
    line: BadLine,
    credentials: None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bucket = strict.new_bucket()
    with DaemonStand(tmp_path, roles=("primary", "cloud")) as stand:
        main = stand.drive("ext4", "primary", "Main")
        card = stand.card("ext4")
        card.mount(options="ro")
        with open_keeper(f"{tmp_path}/config.toml", stand.environ) as keeper:
            keeper.add_bucket(
                f"s3://{bucket}/footage",
                role=Role.CLOUD,
                name="Off site",
                endpoint=line.url,
                profile=None,
            )
            keeper.offload(
                card.point, shoot="260612 Boatyard", source="Wide", roll=None, progress=QUIET
            )
            line.fates = NoChain()
            (outcome,) = keeper.upload(progress=QUIET)
            assert outcome.sent_files == len(CARD)
            assert outcome.troubles
            line.fates = None
        card.unmount()
        main.unmount()
        assert listed(strict, bucket) == set()
        assert stand.gaps() == []
        said = "third copy 260612 Boatyard/Originals/Wide/Roll 01 to Off site"
        with stand.running() as daemon:
            daemon.wait_for(f"{said}: Uploaded 0 files. Brought 1 manifest that still lacked.")
            # The next deed shows that the view after it asks for nothing more of that kind.
            main.mount()
            daemon.wait_for("look at changes", "Looked at what changed")
        assert listed(strict, bucket) == set(CARD)
        assert sum(f"{said} begins" in one for one in daemon.said()) == 1
