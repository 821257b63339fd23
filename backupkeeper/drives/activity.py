"""How many bytes passed through each disk: ``/proc/diskstats``.

Source: the kernel's Documentation/admin-guide/iostats: after major, minor and name come reads
completed, merged, sectors read, milliseconds, then writes completed, merged, sectors written. A
sector is 512 bytes there, whatever the disk's own are.
"""

import os
from typing import Final

DISK_STATISTICS: Final = "/proc/diskstats"
BLOCK_DEVICES: Final = "/sys/class/block"
_SECTOR: Final = 512
_NAME, _READ, _WRITTEN = 2, 5, 9


def parse_diskstats(text: str) -> dict[str, int]:
    """Bytes read and written by name of the device (``sdb1``); odd lines are passed over."""
    found = {}
    for line in text.splitlines():
        words = line.split()
        if len(words) > _WRITTEN and words[_READ].isdecimal() and words[_WRITTEN].isdecimal():
            found[words[_NAME]] = (int(words[_READ]) + int(words[_WRITTEN])) * _SECTOR
    return found


def bytes_passed(path: str = DISK_STATISTICS) -> dict[str, int]:
    """The same, now; nothing where the system does not tell."""
    try:
        with open(path, encoding="ascii", errors="replace") as file:
            return parse_diskstats(file.read())
    except OSError:
        return {}


def disk_of(node: str, blocks: str = BLOCK_DEVICES) -> str:
    """Name of the whole disk that a device's node belongs to, as in ``/proc/diskstats``.

    Who works on another partition works on the same heads and wires. A mapped device (encrypted, or
    put together from several) is its own disk here.

    Args:
        node: such as ``/dev/sdb1``.
        blocks: the kernel's folder of block devices (Documentation/ABI/stable/sysfs-block: a
            partition's folder lies in its disk's, and has ``partition`` in it; ``!`` stands for ``/``).
    """
    name = node.removeprefix("/dev/").replace("/", "!")
    folder = os.path.realpath(os.path.join(blocks, name))
    if os.path.exists(os.path.join(folder, "partition")):
        name = os.path.basename(os.path.dirname(folder))
    return name.replace("!", "/")
