"""``status`` as a command gets it: from the daemon alone, or from the catalog with few parts loaded."""

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from backupkeeper.core.errors import OutOfReachError
from backupkeeper.core.model import Role
from backupkeeper.daemon.control import Ear
from backupkeeper.report.status import status_json
from backupkeeper.wiring.telling import SILENT_DAEMON, no_bucket, status_teller
from tests.actions.survey_world import VAULT, place
from tests.stories.yard import Yard


def config_of(yard: Yard) -> tuple[str, dict[str, str]]:
    return str(yard.root / "config.toml"), {"HOME": str(yard.root)}


def test_what_a_daemon_says_is_told_without_opening_the_catalog(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    with yard.keeper() as keeper:
        said = replace(keeper.status(), process=4711, since=yard.clock.at)
    catalog = tmp_path / "catalog.sqlite"
    catalog.rename(tmp_path / "elsewhere")
    told = json.loads(json.dumps(status_json(said)))
    ear = Ear(f"{catalog}.locks", lambda request: request.answer({"status": told}))
    ear.start()
    try:
        with status_teller(*config_of(yard)) as tell:
            assert tell() == tell() == said
    finally:
        ear.stop()
    assert not catalog.exists()


def test_without_a_daemon_it_is_what_the_keeper_says(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    drive = yard.drive("Main", Role.PRIMARY)
    yard.offload(yard.card("CARD", {"A.MP4": b"a" * 9}))
    with status_teller(*config_of(yard)) as tell:
        found, again = tell(), tell()
        with yard.keeper() as keeper:
            expected = keeper.status()
            assert [one.name for one in found.drives] == ["Main"]
            assert found.drives[0].point == str(drive)
            assert (found.rolls, found.rolls_with_gaps, found.bytes_to_go) == (
                expected.rolls,
                expected.rolls_with_gaps,
                expected.bytes_to_go,
            )
            assert found.rolls == 1
            with keeper.as_daemon():
                assert tell().unheard == SILENT_DAEMON
    assert again.at > found.at
    assert again.rolls == 1


def test_no_bucket_is_asked_for_a_status() -> None:
    with pytest.raises(OutOfReachError, match="not asked"):
        no_bucket(place(VAULT))


@pytest.mark.slow
def test_little_is_loaded_for_it(tmp_path: Path) -> None:
    """Loading every deed took a third of a second."""
    Yard(tmp_path)
    code = (
        "import sys\nfrom backupkeeper.cli.main import main\n"
        "try: main(['--config', sys.argv[1], 'status'])\nexcept SystemExit: pass\n"
        "print(*sorted(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "config.toml")],
        capture_output=True,
        text=True,
        check=False,
        env={"HOME": str(tmp_path), "PYTHONPATH": ":".join(sys.path)},
    )
    assert "not running" in done.stdout
    loaded = set(done.stderr.split())
    deeds = {"boto3", "backupkeeper.wiring.keeper", "backupkeeper.actions.offload"}
    assert "backupkeeper.actions.survey" in loaded
    assert loaded.isdisjoint(deeds)
