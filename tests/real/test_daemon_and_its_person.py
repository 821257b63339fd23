"""The daemon beside a person: commands, signals, another configuration, being told, being asked."""

import json
import os
import signal
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.real.daemon_stand import CARD, Daemon, DaemonStand, expected, originals
from tests.real.loopdev import run
from tests.stories.yard import clip, rot

pytestmark = [pytest.mark.real("ext4", "xfs"), pytest.mark.slow]
BY_HAND = '[[sources]]\nname = "Close"\nfolders = ["PRIVATE"]\n'
ROLL = "260612 Boatyard/Originals/Wide/Roll 01"


def offloaded(stand: DaemonStand, daemon: Daemon) -> None:
    card = stand.card("ext4")
    card.mount(options="ro")
    daemon.wait_for("this card may be wiped")


def test_a_second_daemon_refuses_and_names_the_first(tmp_path: Path) -> None:
    with DaemonStand(tmp_path) as stand, stand.running() as daemon:
        daemon.wait_for("Running as process")
        done = subprocess.run(
            [sys.executable, "-m", "backupkeeper", "run"],
            env=stand.environ, capture_output=True, text=True, timeout=30, check=False,
        )  # fmt: skip
        assert done.returncode == 3
        assert (
            f"A daemon already runs on this catalog (process {daemon.process.pid})." in done.stderr
        )


def test_another_configuration_is_taken_over_and_a_bad_one_is_not(tmp_path: Path) -> None:
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        with stand.running() as daemon:
            daemon.wait_for("Main is here", "Travel is here")
            good = (tmp_path / "config.toml").read_text()
            (tmp_path / "config.toml").write_text("[policy]\nroles = []\n")
            daemon.process.send_signal(signal.SIGHUP)
            daemon.wait_for("The configuration stays as it was.")
            offloaded(stand, daemon)  # workers go by the old one too, not by the broken file
            assert originals(main) == expected()
            (tmp_path / "config.toml").write_text(good.replace("catalog.sqlite", "other.sqlite"))
            daemon.process.send_signal(signal.SIGHUP)
            daemon.wait_for("The catalog can't be another one while the daemon runs")
            stand.configure(BY_HAND)
            daemon.process.send_signal(signal.SIGHUP)
            daemon.wait_for("The configuration was read anew.")
            card = stand.card("ext4", {"PRIVATE/CLIP1.MP4": clip(1)})
            card.mount(options="ro")
            daemon.wait_for("A card is here: Close, 1 files")


def test_a_card_that_is_not_to_be_offloaded_by_itself_is_told_with_the_command(
    tmp_path: Path,
) -> None:
    told = tmp_path / "told"
    program = tmp_path / "tell.sh"
    program.write_text(f'#!/bin/sh\n{{ echo "$BACKUPKEEPER_SUBJECT"; cat; }} >> "{told}"\n')
    program.chmod(0o755)
    notify = f'command = ["{program}"]'
    with DaemonStand(tmp_path, more=BY_HAND, notify=notify) as stand:
        stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        with stand.running() as daemon:
            card = stand.card("ext4", {"PRIVATE/CLIP1.MP4": clip(1)})
            card.mount(options="ro")
            daemon.until(lambda: told.exists() and card.point in told.read_text(), "never told")
            (command,) = [
                one for one in told.read_text().split("\n")
                if "To offload it" in one and card.point in one
            ]  # fmt: skip
            words = command.partition("type: ")[2].replace("'260612 NAME'", "'260612 Boatyard'")
            assert card.point in words
            stand.typed("offload", card.point, "--shoot", "260612 Boatyard", "--source", "Close")
            daemon.wait_for("Close: this card may be wiped")
            assert told.read_text().count("A card is here: Close") == 1


def test_a_command_gets_the_drive_that_the_daemon_works_on(tmp_path: Path) -> None:
    """A second copy is under way when a person wants to verify the drive that it is read from."""
    files = {f"DCIM/B{n:02}.MP4": clip(n, 40_000_000) for n in range(10)}
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main", 700)
        travel = stand.drive("ext4", "secondary", "Travel", 700)
        card = stand.card("ext4", files, 600)
        travel.unmount()
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("offload Wide to Main: ")
            travel.mount()
            daemon.wait_for(f"second copy {ROLL} from Main to Travel begins")
            told = json.loads(stand.typed("verify", f"{main.point}/{ROLL}/DCIM/B00.MP4", "--json"))
            assert told["matching_files"] == 1
            assert any("makes way" in one for one in daemon.said())
            daemon.wait_for("this card may be wiped")
        assert originals(main) == originals(travel) == expected(files)


def test_a_pause_holds_and_a_resume_lets_go_on(tmp_path: Path) -> None:
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        with stand.running() as daemon:
            daemon.wait_for("Main is here", "Travel is here")
            stand.typed("pause", "--hours", "2")
            card = stand.card("ext4")
            card.mount(options="ro")
            daemon.wait_for("A card is here")
            told = json.loads(stand.typed("status", "--json", code=None))
            assert told["paused_until"] is not None
            assert any("pause" in one["why"] for one in told["waiting"])
            assert originals(main) == {}
            stand.typed("resume")
            daemon.wait_for("this card may be wiped")
        assert originals(main) == expected()


def test_a_card_that_comes_back_is_looked_at_anew(tmp_path: Path) -> None:
    """Linux gives the next mount of a disk the same number where that is free."""
    with DaemonStand(tmp_path) as stand:
        stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        later = tmp_path / "later"
        later.write_bytes(clip(9))
        with stand.running() as daemon:
            card = stand.card("ext4")
            card.mount(options="ro")
            daemon.wait_for("this card may be wiped")
            card.unmount()
            daemon.wait_for("mounted is gone.")
            run("debugfs", "-w", "-R", f"write {later} LATER.MP4", card.device)
            card.mount(options="ro")
            daemon.wait_for("Offloaded 1 new files of Wide")
            daemon.until(
                lambda: sum(said == "verdict Wide: May be wiped." for said in daemon.said()) > 1,
                "not judged again",
            )


def test_what_is_edited_or_taken_away_on_a_drive_is_noticed_and_told(tmp_path: Path) -> None:
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main")
        travel = stand.drive("xfs", "secondary", "Travel")
        with stand.running() as daemon:
            offloaded(stand, daemon)
            folder = Path(main.point) / ROLL / "DCIM/100BOATY"
            (folder / "BOAT0001.XML").write_bytes(b"<clip>edited by hand</clip>\n")
            (folder / "BOAT0002.MP4").unlink()
            daemon.wait_for(f"Damage on Main: {ROLL}")
            daemon.wait_for("Mirrored 1 files.")
            assert stand.gaps() == ["Roll 01: primary"]
        assert originals(travel) == expected()
        assert (folder / "BOAT0002.MP4").read_bytes() == CARD["DCIM/100BOATY/BOAT0002.MP4"]
        assert b"edited" in (folder / "BOAT0001.XML").read_bytes(), "it is left as it is"


def test_rot_is_found_in_the_night_of_its_proof_and_told_at_once(tmp_path: Path) -> None:
    more = '[proofs]\nwindow = ""\nauto_repair = false\n'
    with DaemonStand(tmp_path, more=more) as stand:
        main = stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        with stand.running() as daemon:
            offloaded(stand, daemon)
        rot(Path(main.point) / ROLL / "DCIM/100BOATY/BOAT0001.MP4", 5_000_000, b"rot")
        main.remount()
        stand.ahead = timedelta(days=80)
        with stand.running() as daemon:
            daemon.wait_for(f"Damage on Main: {ROLL}")
            daemon.wait_for(f"proof {ROLL} on Travel: Proved 4 files again")
            # Asked of the daemon: a command's clock knows nothing of these eighty days.
            told = json.loads(stand.typed("status", "--json", code=1))
            assert (told["rolls_with_gaps"], len(told["damage"])) == (1, 1)
            assert told["damage"][0].endswith("on Main: 1 file damaged")


def test_a_stop_under_load_ends_within_five_seconds_and_leaves_no_half_fact(
    tmp_path: Path,
) -> None:
    files = {f"DCIM/B{n:04}.MP4": clip(n, 900_000) for n in range(120)}
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main", 300)
        travel = stand.drive("xfs", "secondary", "Travel", 350)
        card = stand.card("ext4", files)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("offload Wide to")
            time.sleep(0.6)
            assert daemon.end() < 5
        for drive in (main, travel):
            for path, data in originals(drive).items():
                assert data == files[path.partition("Roll 01/")[2]]
        with stand.running() as daemon:
            daemon.wait_for("this card may be wiped")
        assert originals(main) == originals(travel) == expected(files)


def test_a_daemon_that_is_killed_takes_its_workers_with_it(tmp_path: Path) -> None:
    files = {f"DCIM/B{n:04}.MP4": clip(n, 900_000) for n in range(120)}
    with DaemonStand(tmp_path) as stand:
        stand.drive("ext4", "primary", "Main", 300)
        card = stand.card("ext4", files)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("offload Wide to")
            children = _children(daemon.process.pid)
            os.kill(daemon.process.pid, signal.SIGKILL)
            daemon.process.wait(10)
            end = time.monotonic() + 10
            while any(Path(f"/proc/{child}/stat").exists() for child in children):
                assert time.monotonic() < end, "a worker outlives its daemon"
                time.sleep(0.05)


def _children(process: int) -> list[int]:
    told = Path(f"/proc/{process}/task/{process}/children").read_text()
    return [int(one) for one in told.split()]


def test_the_weekly_report_is_told_once_and_names_the_next(tmp_path: Path) -> None:
    told = tmp_path / "told"
    program = tmp_path / "tell.sh"
    program.write_text(f'#!/bin/sh\n{{ echo "$BACKUPKEEPER_SUBJECT"; cat; }} >> "{told}"\n')
    program.chmod(0o755)
    notify = f'command = ["{program}"]'
    # Once within the next eight days and not on the ninth, whatever day it is today.
    day = (datetime.now().astimezone() + timedelta(days=5)).strftime("%A").lower()
    more = f'[report]\nweekly = "{day} 12:00"'
    with DaemonStand(tmp_path, notify=notify, more=more) as stand:
        stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        with stand.running() as daemon:
            offloaded(stand, daemon)
        subject = "The one roll in two places"
        for days in (8, 8, 9):
            stand.ahead = timedelta(days=days)
            with stand.running() as daemon:
                daemon.until(lambda: subject in told.read_text(), "no report")
                daemon.wait_for("Main is here", "Travel is here")
                time.sleep(1)
        assert told.read_text().count(subject) == 1
        assert "The next weekly report is due on" in told.read_text()
