"""A real daemon while somebody renames a shoot on the main drive: it finds it, and copies nothing."""

from pathlib import Path

import pytest

from tests.real.daemon_stand import CARD, Daemon, DaemonStand, expected, originals

pytestmark = [pytest.mark.slow, pytest.mark.real("ext4"), pytest.mark.real("exfat")]
SHOOT = "260612 Boatyard"


def moved(files: dict[str, bytes], old: str, new: str) -> dict[str, bytes]:
    return {f"{new}{path.removeprefix(old)}": data for path, data in files.items()}


def copied(daemon: Daemon) -> list[str]:
    return [one for one in daemon.said() if one.startswith(("main copy", "second copy"))]


@pytest.mark.timeout(240)
@pytest.mark.parametrize("kind", ["ext4", "exfat"])
def test_a_shoot_renamed_beside_a_daemon_and_again_without_one(tmp_path: Path, kind: str) -> None:
    with DaemonStand(tmp_path) as stand:
        main = stand.drive(kind, "primary", "Main")
        travel = stand.drive("ext4", "secondary", "Travel")
        card = stand.card("ext4")
        root = Path(main.point)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("May be wiped.")
            card.unmount()
            before = copied(daemon)  # the offload may have found one of the drives only
            (root / SHOOT).rename(root / "Boats")
            daemon.wait_for(
                f"{len(CARD)} files of {SHOOT} were moved by hand and lie in Boats now."
            )
            assert stand.gaps() == [], daemon.said()
            assert copied(daemon) == before, daemon.said()
        (root / "Boats").rename(root / "Barges")
        with stand.running() as daemon:
            daemon.wait_for(f"{len(CARD)} files of Boats were moved by hand and lie in Barges now.")
            assert stand.gaps() == [], daemon.said()
            assert copied(daemon) == [], daemon.said()
        assert originals(main) == moved(expected(), SHOOT, "Barges")
        assert originals(travel) == expected()
        assert not (root / SHOOT).exists()
