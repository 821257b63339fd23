"""Asks a drive for its own health log (S.M.A.R.T.), through ``smartctl`` where it is there.

Promises:
1. The drive is only asked: nothing is switched on, no test is begun.
2. A sleeping drive is left asleep: smartctl looks at its power first and leaves (smartctl(8), ``-n
   standby``). For that the kind of drive is named wherever the kernel knows it, because finding it
   out may wake a drive (same page). Behind a USB bridge it can't be known, and some bridges do not
   tell whether the drive sleeps: ask such a drive while it is at work, as right after a proof.
3. An encrypted or mapped device is asked as the disk below it. One that is put together from several
   disks is not asked as a whole: ``disks_below`` names them.
4. Nothing is raised. No program, no right, no answer within ``SECONDS``: a sentence says so. A program
   that hangs in the kernel is left behind, never waited for.
"""

import os
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from backupkeeper.drives.identity import DEEPEST, BlockDevices
from backupkeeper.drives.smart_answer import ASLEEP_STATUS, SmartAnswer, understood

SMARTCTL_PLACES: Final = tuple(
    f"{folder}/smartctl"
    for folder in (
        "/usr/sbin",
        "/sbin",
        "/usr/bin",
        "/usr/local/sbin",
        "/usr/local/bin",
        "/opt/homebrew/sbin",
        "/opt/homebrew/bin",
    )
)
SECONDS: Final = 30
"""A drive that answers takes one or two; one that wakes up, ten."""
_SECONDS_TO_DIE: Final = 1

NOT_THERE: Final = (
    "The program smartctl is not there, so the drive could not be asked for its health."
)
NO_ANSWER: Final = f"The drive did not answer within {SECONDS} seconds when asked for its health."
UNKNOWN: Final = "The system knows no such drive."
SEVERAL: Final = "It is put together from several disks, which can only be asked one by one."


@dataclass(frozen=True, kw_only=True, slots=True)
class Ran:
    """How a run ended; without a status it did not end in time, or broke."""

    status: int | None
    output: bytes = b""


def run_smartctl(arguments: Sequence[str]) -> Ran | None:
    """Run smartctl; None where there is none."""
    program = next((place for place in SMARTCTL_PLACES if os.access(place, os.X_OK)), None)
    return None if program is None else run_for([program, *arguments], SECONDS)


def run_for(words: Sequence[str], seconds: float) -> Ran:
    """Run a program for so long at most."""
    try:
        process = subprocess.Popen(  # noqa: S603 - a fixed program; the device is named by the kernel
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={"LC_ALL": "C"},
        )
    except (OSError, ValueError):
        return Ran(status=None)
    try:
        output, _ = process.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        _end(process)
        return Ran(status=None)
    return Ran(status=process.returncode, output=output)


def _end(process: subprocess.Popen[bytes]) -> None:
    """Kill it; one that hangs in the kernel dies once the kernel lets go of it."""
    process.kill()
    try:
        process.communicate(timeout=_SECONDS_TO_DIE)
    except subprocess.TimeoutExpired:
        process.poll()
        if process.stdout is not None:
            process.stdout.close()


class Smart:
    """Asks drives.

    Args:
        root: where ``sys`` is looked up (tests make their own).
        run: runs smartctl with these arguments.
    """

    def __init__(
        self, *, root: str = "/", run: Callable[[Sequence[str]], Ran | None] = run_smartctl
    ) -> None:
        self._blocks = BlockDevices(root)
        self._run = run

    def disks_below(self, node: str) -> tuple[str, ...]:
        """The nodes of the whole disks on which a block device rests, in order of name.

        Args:
            node: such as ``/dev/sdb1`` or ``/dev/dm-0`` (``DeviceInfo.block_device``).
        """
        return tuple(sorted(map(_node, self._folders(node))))

    def ask(self, node: str, at: datetime) -> SmartAnswer:
        """What the disk below a block device says of itself.

        Args:
            node: as in ``disks_below``.
            at: the present time.
        """
        folders = self._folders(node)
        if len(folders) != 1:
            return SmartAnswer(signs=None, why_not=SEVERAL if folders else UNKNOWN)
        folder = folders.pop()
        words = ["--json=c", "-a", "-n", f"standby,{ASLEEP_STATUS}", *self._kind(folder)]
        ran = self._run([*words, _node(folder)])
        if ran is None:
            return SmartAnswer(signs=None, why_not=NOT_THERE)
        if ran.status is None:
            return SmartAnswer(signs=None, why_not=NO_ANSWER)
        return understood(ran.output, ran.status, at)

    def _folders(self, node: str) -> set[str]:
        number = self._blocks.number_of(node.removeprefix("/dev/").replace("/", "!"))
        folder = None if number is None else self._blocks.folder(number)
        return set() if folder is None else self._below(folder, DEEPEST)

    def _below(self, folder: str, depth: int) -> set[str]:
        whole = self._blocks.disk_folder(folder)
        slaves = os.path.join(whole, "slaves")
        try:
            names = os.listdir(slaves)
        except OSError:
            names = []
        if not names or not depth:
            return {whole}
        parts = [os.path.realpath(os.path.join(slaves, name)) for name in names]
        return set().union(*(self._below(part, depth - 1) for part in parts))

    def _kind(self, folder: str) -> list[str]:
        """The kind of drive, where the kernel knows it: NVMe by its name, ATA by its vendor.

        The kernel gives every ATA disk of its own the vendor ``ATA`` (from memory); behind a USB
        bridge that is the bridge's word.
        """
        if os.path.basename(folder).startswith("nvme"):
            return ["-d", "nvme"]
        if self._blocks.read(folder, "device/vendor") == "ATA" and "/usb" not in folder:
            return ["-d", "sat"]
        return []


def _node(folder: str) -> str:
    return "/dev/" + os.path.basename(folder).replace("!", "/")
