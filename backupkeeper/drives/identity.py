"""Which physical device a block device is, from sysfs.

Promises:
1. Two partitions of one disk get one identity; a mapped or joined device (device mapper, RAID)
   gets those of all the disks below it, joined by ``+``.
2. The identity is text that stays the same when the device is plugged in elsewhere, where the
   device has a number of its own. Where it has none it is the disk's name and size, which does not.
3. A loop device is the device that its backing file is: the file is the medium as far as this
   machine can see, and two of them are told apart by it. That both files may lie on one disk is
   known to whoever set them up.
4. What can't be read is not known; nothing is raised.

Layout of sysfs: the kernel's ``Documentation/ABI/testing/sysfs-block`` (from memory), tried here.
"""

import os
import re
from dataclasses import dataclass
from typing import Final

DEEPEST: Final = 16
"""Devices upon devices; more is a mistake of somebody's."""

_OWN_NUMBERS: Final = ("device/cid", "device/serial", "serial", "wwid", "device/wwid")
"""Where a disk's own number stands: cards, then disks; a wwid may name only a part of a disk."""
_NOTHING: Final = re.compile(r"(0x)?[0\s]*")
_SCSI_ADDRESS: Final = re.compile(r"[0-9]+:[0-9]+:[0-9]+:([0-9]+)")
SECTOR_BYTES: Final = 512
"""sysfs counts ``size`` in these, whatever the disk's own sectors are."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Disk:
    """A physical device. ``spins`` as the kernel believes; bridges often claim it wrongly."""

    identity: str
    spins: bool | None


class BlockDevices:
    """Looks block devices up in the ``sys`` folder below ``root``."""

    def __init__(self, root: str = "/") -> None:
        self._sys = os.path.join(root, "sys")

    def folder(self, number: tuple[int, int]) -> str | None:
        """The sysfs folder of the device with this major and minor number."""
        link = os.path.join(self._sys, "dev", "block", f"{number[0]}:{number[1]}")
        return os.path.realpath(link) if os.path.isdir(link) else None

    def number_of(self, name: str) -> tuple[int, int] | None:
        """Major and minor number of the device with this kernel name (``sdb1``)."""
        if not name or "/" in name or name in {".", ".."}:
            return None
        major, _, minor = self.read(
            os.path.join(self._sys, "class", "block", name), "dev"
        ).partition(":")
        if major.isdecimal() and minor.isdecimal():
            return int(major), int(minor)
        return None

    def read(self, folder: str, name: str) -> str:
        """An attribute as text without the space around it; empty where it can't be read."""
        try:
            with open(os.path.join(folder, name), "rb") as attribute:
                return os.fsdecode(attribute.read(4096)).strip(" \n\0")
        except (OSError, ValueError):  # a name that no system can have
            return ""

    def disk_folder(self, folder: str) -> str:
        """The folder of the whole disk of which this may be a partition."""
        return os.path.dirname(folder) if self.read(folder, "partition") else folder

    def sequence(self, folder: str) -> str:
        """A number that is never given twice while the machine runs (Linux 5.15), or nothing."""
        return self.read(self.disk_folder(folder), "diskseq")

    def disk(self, folder: str) -> Disk:
        """The physical device or devices below the device with this sysfs folder."""
        found = self._below(folder, DEEPEST)
        spins = {disk.spins for disk in found}
        return Disk(
            identity="+".join(sorted({disk.identity for disk in found})),
            spins=True if True in spins else None if None in spins else False,
        )

    def _below(self, folder: str, depth: int) -> list[Disk]:
        whole = self.disk_folder(folder)
        try:
            names = os.listdir(os.path.join(whole, "slaves"))
        except OSError:
            names = []
        parts = [os.path.realpath(os.path.join(whole, "slaves", name)) for name in names]
        if not parts or not depth:
            rotational = self.read(whole, "queue/rotational")
            spins = {"0": False, "1": True}.get(rotational)
            return [Disk(identity=self._identity(whole), spins=spins)]
        return [disk for part in parts for disk in self._below(part, depth - 1)]

    def _identity(self, whole: str) -> str:
        if backing := self.read(whole, "loop/backing_file"):
            return f"loop:{backing}"
        for name in _OWN_NUMBERS:
            number = _plain(self.read(whole, name))
            if not _NOTHING.fullmatch(number):
                model = _plain(self.read(whole, "device/model"))
                return f"disk:{model} {number}" if model else f"disk:{number}"
        if number := self._usb_number(whole):
            return f"usb:{number}"
        return f"unnamed:{os.path.basename(whole)}:{self._bytes(whole)}"

    def _bytes(self, whole: str) -> int:
        size = self.read(whole, "size")
        return int(size) * SECTOR_BYTES if size.isdecimal() else 0

    def _usb_number(self, whole: str) -> str:
        """Vendor, product and serial of the USB device above, and which slot of it this is."""
        slot = ""
        above = os.path.dirname(whole)
        while len(above) > len(os.path.realpath(self._sys)):
            if address := _SCSI_ADDRESS.fullmatch(os.path.basename(above)):
                slot = address[1]
            vendor, product, serial = (
                _plain(self.read(above, name)) for name in ("idVendor", "idProduct", "serial")
            )
            if vendor:
                return (
                    f"{vendor}:{product}:{serial}:{slot}" if not _NOTHING.fullmatch(serial) else ""
                )
            above = os.path.dirname(above)
        return ""


def _plain(text: str) -> str:
    """The words of it, printable ASCII only: it ends up in the catalog and in reports."""
    return " ".join("".join(c if " " <= c <= "~" else " " for c in text).split())
