"""Which disk is asked, in which words, and what happens where nobody answers."""

import gc
import os
import signal
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest

from backupkeeper.drives import smart
from backupkeeper.drives.smart import (
    NO_ANSWER,
    NOT_THERE,
    SEVERAL,
    UNKNOWN,
    Ran,
    Smart,
    run_for,
    run_smartctl,
)
from backupkeeper.drives.smart_answer import ASLEEP, NOT_ASKED
from tests.drives.made_up_machine import MadeUpMachine
from tests.drives.smart_said import NVME, printed, refused

AT = datetime(2026, 6, 20, 12, tzinfo=UTC)
SATA = "pci/ata1/host0/target0:0:0/0:0:0:0/block/sda"
USB = "pci/usb1/1-1/host6/target6:0:0/6:0:0:0/block/sdb"
NVME_DISK = "pci/nvme/nvme0/nvme0n1"


class Asked:
    """Answers as smartctl would, and remembers the words."""

    def __init__(self, ran: Ran | None) -> None:
        self.ran = ran
        self.words: list[Sequence[str]] = []

    def __call__(self, words: Sequence[str]) -> Ran | None:
        self.words.append(words)
        return self.ran


@pytest.fixture
def machine(tmp_path: Path) -> MadeUpMachine:
    made = MadeUpMachine(str(tmp_path))
    made.block(SATA, "8:0", {"device/vendor": "ATA     \n"})
    made.block(f"{SATA}/sda2", "8:2", {"partition": "2\n"})
    made.block(USB, "8:16", {"device/vendor": "ATA\n"})
    made.block(f"{USB}/sdb1", "8:17", {"partition": "1\n"})
    made.block(NVME_DISK, "259:0")
    made.block(f"{NVME_DISK}/nvme0n1p1", "259:1", {"partition": "1\n"})
    return made


def mapped(machine: MadeUpMachine, name: str, number: str, *below: str) -> None:
    """A device put upon others, as encryption and RAID do."""
    folder = machine.block(f"virtual/block/{name}", number)
    for device in below:
        machine.link(f"{folder}/slaves/{os.path.basename(device)}", f"sys/devices/{device}")


def asked_of(machine: MadeUpMachine, node: str) -> list[Sequence[str]]:
    asked = Asked(Ran(status=0, output=printed(NVME)))
    answer = Smart(root=machine.root, run=asked).ask(node, AT)
    assert answer.signs is not None
    assert answer.signs.at == AT
    return asked.words


@pytest.mark.parametrize(
    ("node", "told"),
    [
        ("/dev/sda2", ["-d", "sat", "/dev/sda"]),
        ("/dev/sda", ["-d", "sat", "/dev/sda"]),
        ("/dev/sdb1", ["/dev/sdb"]),
        ("/dev/nvme0n1p1", ["-d", "nvme", "/dev/nvme0n1"]),
    ],
)
def test_the_whole_disk_is_asked_once_and_never_woken(
    machine: MadeUpMachine, node: str, told: list[str]
) -> None:
    assert asked_of(machine, node) == [["--json=c", "-a", "-n", "standby,3", *told]]


def test_an_encrypted_drive_is_asked_as_the_disk_below(machine: MadeUpMachine) -> None:
    mapped(machine, "dm-0", "253:0", f"{USB}/sdb1")
    mapped(machine, "dm-1", "253:1", "virtual/block/dm-0")
    assert asked_of(machine, "/dev/dm-1")[0][-1] == "/dev/sdb"


def test_what_is_put_together_from_several_disks_is_not_asked_as_one(
    machine: MadeUpMachine,
) -> None:
    mapped(machine, "md0", "9:0", f"{USB}/sdb1", f"{SATA}/sda2")
    mapped(machine, "md1", "9:1", SATA, f"{SATA}/sda2")
    asked = Asked(None)
    drives = Smart(root=machine.root, run=asked)
    assert drives.ask("/dev/md0", AT).why_not == SEVERAL
    assert asked.words == []
    assert drives.disks_below("/dev/md0") == ("/dev/sda", "/dev/sdb")
    assert drives.disks_below("/dev/md1") == ("/dev/sda",)


def test_devices_that_rest_on_each_other_in_a_ring_end(machine: MadeUpMachine) -> None:
    mapped(machine, "dm-0", "253:0", "virtual/block/dm-1")
    mapped(machine, "dm-1", "253:1", "virtual/block/dm-0")
    assert len(Smart(root=machine.root).disks_below("/dev/dm-0")) == 1


def test_a_disk_in_a_folder_of_dev_is_named_as_the_system_names_it(machine: MadeUpMachine) -> None:
    machine.block("pci/array/block/bay!d0", "104:0")
    machine.block("pci/array/block/bay!d0/bay!d0p1", "104:1", {"partition": "1\n"})
    assert asked_of(machine, "/dev/bay/d0p1")[0][-1] == "/dev/bay/d0"


@pytest.mark.parametrize(
    "node", ["", "/dev/", "/dev/sdz", "/dev/../sda", "-", "/dev/sda\0", "sda/"]
)
def test_a_device_that_nobody_knows_is_not_asked(machine: MadeUpMachine, node: str) -> None:
    asked = Asked(None)
    drives = Smart(root=machine.root, run=asked)
    assert drives.ask(node, AT).why_not == UNKNOWN
    assert drives.disks_below(node) == ()
    assert asked.words == []


@pytest.mark.parametrize(
    ("ran", "why_not"),
    [
        (None, NOT_THERE),
        (Ran(status=None), NO_ANSWER),
        (Ran(status=3, output=printed(refused("Device is in SLEEP mode, exit(3)"))), ASLEEP),
        (Ran(status=1, output=printed(refused("odd"))), f"{NOT_ASKED} (odd)."),
    ],
)
def test_where_nothing_comes_back_the_reason_is_told(
    machine: MadeUpMachine, ran: Ran | None, why_not: str
) -> None:
    answer = Smart(root=machine.root, run=Asked(ran)).ask("/dev/sda", AT)
    assert (answer.signs, answer.why_not) == (None, why_not)


def test_a_machine_without_the_program_is_told_as_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(smart, "SMARTCTL_PLACES", (str(tmp_path / "smartctl"),))
    assert run_smartctl(["--version"]) is None


def test_the_first_program_found_is_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "smartctl"
    program.write_text('#!/bin/sh\necho "$LC_ALL $*"\nexit 24\n')
    program.chmod(0o755)
    monkeypatch.setattr(smart, "SMARTCTL_PLACES", (str(tmp_path / "none"), str(program)))
    assert run_smartctl(["-a", "x"]) == Ran(status=24, output=b"C -a x\n")


def test_a_program_that_cannot_be_run_did_not_answer(tmp_path: Path) -> None:
    broken = tmp_path / "broken"
    broken.write_bytes(b"\x7fELF nothing")
    broken.chmod(0o755)
    for words in ([str(tmp_path / "none")], [str(broken)], ["a\0b"]):
        assert run_for(words, 5) == Ran(status=None)


def test_a_program_that_hangs_is_ended(tmp_path: Path) -> None:
    words = [sys.executable, "-c", "import signal; print('x', flush=True); signal.pause()"]
    assert run_for(words, 0.2) == Ran(status=None)


@pytest.mark.slow
def test_one_whose_output_stays_open_is_left_behind(tmp_path: Path) -> None:
    told = tmp_path / "pid"
    words = ["sh", "-c", 'sleep 60 & echo $! > "$0"; wait', str(told)]
    gc.collect()  # or what other tests left open may be closed meanwhile
    open_before = len(os.listdir("/proc/self/fd"))
    try:
        assert run_for(words, 1) == Ran(status=None)
        assert len(os.listdir("/proc/self/fd")) == open_before
    finally:
        os.kill(int(told.read_text()), signal.SIGKILL)
