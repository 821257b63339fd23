"""The daemon on real file systems, a real card and a real store: it does the whole job by itself."""

import json
import os
import random
import signal
import time
from datetime import timedelta
from pathlib import Path

import pytest

from tests.real.daemon_stand import CARD, DaemonStand, expected, originals
from tests.real.loopdev import run
from tests.real.store import Server
from tests.stories.yard import clip

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = [pytest.mark.real("ext4", "xfs"), pytest.mark.slow]
BIG = {**CARD, "DCIM/100BOATY/BOAT0003.MP4": clip(3, 60_000_000)}


@pytest.mark.real("exfat", "store")
def test_a_card_goes_to_three_places_without_another_keystroke(
    tmp_path: Path, radosgw: Server
) -> None:
    roles = ("primary", "secondary", "cloud")
    with DaemonStand(tmp_path, roles=roles) as stand:
        with stand.running() as daemon:
            card = stand.card("exfat")
            main = stand.drive("ext4", "primary", "Main")
            travel = stand.drive("xfs", "secondary", "Travel")
            stand.bucket(radosgw)
            card.mount(options="ro")
            daemon.wait_for("this card may be wiped")
            assert stand.gaps() == []
            story = daemon.said()
            for begin in (
                "Main is here",
                "Travel is here",
                "A card is here",
                "offload Wide to Main and Travel begins",
                "verdict Wide: May be wiped",
            ):
                assert any(one.startswith(begin) for one in story), story
            told = json.loads(stand.typed("status", "--json"))
            assert [one for one in told["under_way"] if one["kind"] != "posters"] == []
            assert [one["may_wipe"] for one in told["cards"]] == [True]
            assert daemon.end() < 5
        assert originals(main) == originals(travel) == expected()


def test_a_second_drive_that_comes_a_week_later_gets_its_copy(tmp_path: Path) -> None:
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main")
        travel = stand.drive("xfs", "secondary", "Travel")
        card = stand.card("ext4")
        travel.unmount()
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("offload Wide to Main: ")
            assert stand.gaps() == ["Roll 01: secondary"]
        stand.ahead = timedelta(days=7)
        with stand.running() as daemon:
            travel.mount()
            daemon.wait_for("second copy 260612 Boatyard/Originals/Wide/Roll 01", "may be wiped")
        assert originals(main) == originals(travel) == expected()


def test_a_drive_torn_off_while_it_is_written_to_is_taken_up_when_it_is_back(
    tmp_path: Path,
) -> None:
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main", 300)
        travel = stand.drive("ext4", "secondary", "Travel", 300)
        card = stand.card("ext4", BIG)
        with stand.running() as daemon:
            daemon.wait_for("Main is here", "Travel is here")
            card.mount(options="ro")
            daemon.wait_for("offload Wide to")
            main.pull()
            run("losetup", "--detach", main.device)
            begun = time.monotonic()
            daemon.wait_for("Main is gone")
            daemon.until(
                lambda: any("offload Wide" in one and "begins" not in one for one in daemon.said()),
                "the offload never ended",
            )
            assert time.monotonic() - begun < 10
            main.device = run("losetup", "--find", "--show", main.backing)
            main.mount()
            daemon.wait_for("this card may be wiped")
        assert originals(main) == originals(travel) == expected(BIG)


CARDS = 4


def boats(card: int) -> dict[str, bytes]:
    """A card of many small clips and a large one, other ones for each card."""
    clips = {f"DCIM/B{card}/B{n:07}.MP4": clip(card * 10_000 + n, 40_000) for n in range(300)}
    return {**clips, f"DCIM/B{card}/LARGE.MP4": clip(card, 20_000_001)}


@pytest.mark.timeout(900)
def test_killed_at_random_moments_it_always_comes_to_the_same_end(tmp_path: Path) -> None:
    """Two hundred kills in continuous integration; BACKUPKEEPER_SEED repeats a run."""
    seed = int(os.environ.get("BACKUPKEEPER_SEED", str(time.time_ns() % 1_000_000)))
    kills = int(os.environ.get("BACKUPKEEPER_KILLS", "24"))
    chance = random.Random(seed)
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main", 300)
        travel = stand.drive("xfs", "secondary", "Travel", 300)
        cards = [stand.card("ext4", boats(number)) for number in range(CARDS)]
        known = {data for number in range(CARDS) for data in boats(number).values()}
        for number in range(kills):
            for card in (one for one in range(CARDS) if one * kills // CARDS == number):
                cards[card].mount(options="ro")
            with stand.running() as daemon:
                time.sleep(chance.uniform(0.2, 2.2))
                os.kill(daemon.process.pid, signal.SIGKILL)  # its workers must see it by themselves
                daemon.process.wait(10)
            for path, data in {**originals(main), **originals(travel)}.items():
                assert data in known, f"{path} has wrong bytes under its final name (seed {seed})"
        with stand.running() as daemon:
            daemon.until(lambda: _fit_to_be_wiped(stand) == CARDS, f"seed {seed}")
        assert stand.gaps() == []
        wanted = sorted(data for number in range(CARDS) for data in boats(number).values())
        for drive in (main, travel):
            held = originals(drive)
            assert sorted(held.values()) == wanted, f"seed {seed}"
            stand.typed("verify", "Main" if drive is main else "Travel")
        assert originals(main) == originals(travel)


def _fit_to_be_wiped(stand: DaemonStand) -> int:
    told = json.loads(stand.typed("status", "--json", code=None))
    return sum(one["may_wipe"] is True for one in told["cards"])
