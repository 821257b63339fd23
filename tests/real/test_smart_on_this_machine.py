"""The real smartctl: a loop device, this machine's own disks, and drives that are played back to it.

What a real drive says can't be chosen, so an ATA drive is played back (``made_up_ata_drive``), and an
NVMe drive that answers nothing but zeros is made by strace, which lets each system call to the
device "succeed" without doing anything.
"""

import json
import os
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from backupkeeper.core.trends import Level, Seen, SmartSigns, advice
from backupkeeper.drives.smart import Ran, Smart, run_for, run_smartctl
from backupkeeper.drives.smart_answer import (
    ASLEEP,
    ASLEEP_STATUS,
    NO_NONSENSE,
    NOT_ALLOWED,
    NOT_ASKED,
    understood,
)
from tests.drives.smart_said import NVME
from tests.real.loopdev import ENVIRONMENT, loop_fs, run
from tests.real.made_up_ata_drive import PREFAILURE, Attribute, smartctl

pytestmark = pytest.mark.real("smartctl")

LOOP = pytest.mark.real("ext4")
"""Where there are no loop devices, or no right to them, that part is missing."""
AT = datetime(2026, 6, 20, 12, tzinfo=UTC)


@pytest.fixture
def loop() -> Iterator[str]:
    """A loop device with nothing on it."""
    with tempfile.NamedTemporaryFile() as image:
        image.truncate(8 << 20)
        device = run("losetup", "--find", "--show", image.name)
        try:
            yield device
        finally:
            run("losetup", "--detach", device)


def played(*attributes: Attribute, fails: bool = False) -> SmartSigns:
    answer = understood(*smartctl(attributes, fails=fails), AT)
    assert answer.signs is not None, answer
    return answer.signs


def level(smart: SmartSigns, earlier: SmartSigns | None = None) -> Level:
    seen = Seen(bad=(), reads=1, rates=(), smart=smart, first_seen=AT)
    return advice(seen, AT, earlier=earlier).level


@pytest.mark.real("ext4")
def test_a_loop_device_says_nothing_and_the_reason_is_told() -> None:
    with loop_fs("ext4", 16) as drive:
        answer = Smart().ask(drive.device, AT)
        assert answer.signs is None
        assert answer.why_not.startswith(NOT_ASKED)
        assert drive.device in answer.why_not, "the program was really run, on this device"
        assert Path(drive.point, "lost+found").is_dir(), "and took no notice of its file system"


def test_every_disk_of_this_machine_gives_an_answer_or_a_reason() -> None:
    drives, names = Smart(), os.listdir("/sys/class/block")
    assert names
    whole: set[str] = set()
    for name in names:
        node = "/dev/" + name.replace("!", "/")
        disks = drives.disks_below(node)
        assert disks, node
        whole.update(disks)
    assert all(
        not os.path.exists(f"/sys/class/block/{os.path.basename(d)}/partition") for d in whole
    )
    for node in sorted(whole)[:4]:
        answer = drives.ask(node, AT)
        assert (answer.signs is None) == bool(answer.why_not)
        assert answer.why_not.isprintable()


@LOOP
def test_another_user_than_the_administrator_is_told_what_is_missing(loop: str) -> None:
    ran = run_for(
        [
            "setpriv",
            "--reuid=65534",
            "--clear-groups",
            "--",
            "/usr/sbin/smartctl",
            "--json=c",
            "-a",
            "-n",
            "standby,3",
            "-d",
            "nvme",
            loop,
        ],
        60,
    )
    assert ran.status == 0b10
    assert understood(ran.output, ran.status, AT).why_not == NOT_ALLOWED


def test_a_device_that_went_away_is_told_with_the_reason() -> None:
    ran = run_smartctl(["--json=c", "-a", "/dev/nobody-has-this"])
    assert ran is not None
    assert ran.status is not None
    assert understood(ran.output, ran.status, AT).why_not.startswith(NOT_ASKED)


def test_words_that_smartctl_does_not_know_are_no_answer() -> None:
    ran = run_smartctl(["--json=c", "--no-such-word", "/dev/null"])
    assert ran is not None
    assert ran.status == 0b1
    assert understood(ran.output, ran.status, AT).why_not.startswith(NOT_ASKED)


@LOOP
def test_the_words_we_ask_in_are_understood_by_the_program(loop: str) -> None:
    heard: list[Ran] = []

    def listening(words: object) -> Ran | None:
        assert isinstance(words, list)
        ran = run_smartctl(words)
        assert ran is not None
        heard.append(ran)
        return ran

    Smart(run=listening).ask(loop, AT)
    said = json.loads(heard[0].output)["smartctl"]
    assert said["argv"][1:] == ["--json=c", "-a", "-n", "standby,3", loop]
    assert "UNRECOGNIZED" not in heard[0].output.decode()
    assert "INVALID" not in heard[0].output.decode()


def test_a_played_drive_is_understood_to_the_last_count() -> None:
    found = played(
        Attribute(id=5, raw=12 | 3 << 16, flags=PREFAILURE),
        Attribute(id=9, raw=4321),
        Attribute(id=187, raw=7),
        Attribute(id=197, raw=8),
        Attribute(id=198, raw=2),
        Attribute(id=199, raw=40),
    )
    assert found == SmartSigns(
        passed=True,
        pending=8,
        reallocated=12,
        uncorrectable=2,
        cable_errors=40,
        media_errors=7,
        wear_percent=None,
        power_on_hours=4321,
        critical=(),
        at=AT,
    )


def test_a_played_drive_gets_worse_until_it_is_to_be_replaced() -> None:
    new = played(Attribute(id=9, raw=10), Attribute(id=197), Attribute(id=199))
    older = [Attribute(id=9, raw=20), Attribute(id=197, raw=8), Attribute(id=199, raw=3)]
    then = replace(new, at=datetime(2026, 5, 1, tzinfo=UTC))
    assert level(new) is Level.FINE
    assert level(played(Attribute(id=9, raw=20), older[2], Attribute(id=197)), then) is Level.CABLE
    assert level(played(*older)) is Level.WATCH
    assert level(played(*older), then) is Level.REPLACE
    assert level(played(Attribute(id=9, raw=20), fails=True)) is Level.REPLACE


@pytest.mark.parametrize(
    ("attribute", "fails", "critical", "warnings"),
    [
        (Attribute(id=5, flags=PREFAILURE, value=1, worst=1, limit=10), True, 1, 0),
        (Attribute(id=5, flags=PREFAILURE, value=1, worst=1, limit=10), False, 1, 0),
        (Attribute(id=5, flags=PREFAILURE, value=90, worst=1, limit=10), False, 0, 1),
        (Attribute(id=190, value=40, worst=30, limit=45), False, 0, 1),
        (Attribute(id=190, value=60, worst=30, limit=45), False, 0, 0),
    ],
)
def test_limits_of_the_maker_are_told(
    attribute: Attribute, fails: bool, critical: int, warnings: int
) -> None:
    found = played(attribute, Attribute(id=1, limit=6), fails=fails)
    assert found.passed is not fails
    assert (len(found.critical), len(found.warnings)) == (critical, warnings)


@pytest.mark.real("strace")
@LOOP
def test_an_nvme_drive_has_the_keys_that_we_read_and_one_of_zeros_is_not_believed(
    loop: str, tmp_path: Path
) -> None:
    words = ["smartctl", "--json=c", "-a", "-n", "standby,3", "-d", "nvme", loop]
    done = subprocess.run(
        ["strace", "-o", str(tmp_path / "trace"), "-e", "inject=ioctl:retval=0", *words],
        stdout=subprocess.PIPE,
        env=ENVIRONMENT,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0
    said = json.loads(done.stdout)
    log = said["nvme_smart_health_information_log"]
    assert log.keys() == NVME["nvme_smart_health_information_log"].keys() - {"temperature"}
    assert said["power_on_time"].keys() == NVME["power_on_time"].keys()
    assert said["smart_status"] == NVME["smart_status"]
    assert understood(done.stdout, done.returncode, AT).why_not == NO_NONSENSE


@LOOP
def test_a_drive_that_does_not_tell_its_power_mode_is_left_alone_as_one_that_sleeps(
    loop: str,
) -> None:
    ran = run_smartctl(["--json=c", "-a", "-n", "standby,3", "-d", "sat", loop])
    assert ran is not None
    assert ran.status == ASLEEP_STATUS  # smartctl 7.3: "Device is in SLEEP mode, exit(3)"
    assert understood(ran.output, ran.status, AT).why_not == ASLEEP
