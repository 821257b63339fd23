"""An ATA drive that exists only as the record of its answers, which the real smartctl plays back.

smartctl(8), ``-r``: "For testing purposes, the output of '-r ataioctl,2' can later be parsed by
smartctl itself if '-' is used as device path argument". So the JSON that our parser is tried on is
the program's own, for values that we choose. The layout of the sectors is that of the ATA command
set (IDENTIFY DEVICE, SMART READ DATA and READ THRESHOLDS), from memory, and shown right by what
smartctl makes of it.
"""

import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tests.real.loopdev import ENVIRONMENT

SECTOR = 512
PREFAILURE = 0x0003
OLD_AGE = 0x0032


@dataclass(frozen=True, kw_only=True, slots=True)
class Attribute:
    """One row: ``raw`` are 48 bits; failed where ``value`` is at the ``limit``, in the past by ``worst``."""

    id: int
    raw: int = 0
    flags: int = OLD_AGE
    value: int = 100
    worst: int = 100
    limit: int = 0


def smartctl(
    attributes: Sequence[Attribute], *, fails: bool = False, arguments: Sequence[str] = ()
) -> tuple[bytes, int]:
    """What smartctl prints about such a drive, and its exit status."""
    done = subprocess.run(
        ["smartctl", "--json=c", "-H", "-i", "-A", *arguments, "-"],
        input="".join(_record(attributes, fails=fails)).encode("ascii"),
        stdout=subprocess.PIPE,
        env=ENVIRONMENT,
        timeout=60,
        check=False,
    )
    return done.stdout, done.returncode


def _record(attributes: Sequence[Attribute], *, fails: bool) -> Iterator[str]:
    yield from _answer("IDENTIFY DEVICE", _identity())
    yield from _answer("CHECK POWER MODE", None)
    yield from _answer("SMART READ ATTRIBUTE VALUES", _values(attributes))
    yield from _answer("SMART READ ATTRIBUTE THRESHOLDS", _thresholds(attributes))
    yield from _answer("SMART STATUS CHECK", None, returned=int(fails))


def _answer(command: str, sector: bytes | None, *, returned: int = 0) -> Iterator[str]:
    yield f"REPORT-IOCTL: Device=- Command={command}\n"
    yield f"REPORT-IOCTL: Device=- Command={command} returned {returned}\n"
    if sector is None:
        return
    yield f"===== [{command}] DATA START (BASE-16) =====\n"
    for at in range(0, SECTOR, 16):
        yield f"{at:03}-{at + 15:03}: {sector[at : at + 16].hex(' ')} |................|\n"
    yield f"===== [{command}] DATA END (512 Bytes) =====\n"


def _identity() -> bytes:
    words = [0] * (SECTOR // 2)
    words[0] = 0x0040  # a fixed disk
    for first, last, text in ((10, 19, "1"), (23, 26, "1"), (27, 46, "Boatyard disk")):
        padded = text.ljust(2 * (last - first + 1))
        for word in range(first, last + 1):
            at = 2 * (word - first)
            words[word] = ord(padded[at]) << 8 | ord(padded[at + 1])
    words[60] = 1 << 15
    words[80] = 0x01F0  # ATA/ATAPI-4 to ATA8-ACS
    words[82], words[83], words[84] = 0x0001, 0x4000, 0x4003  # has SMART, error log, self-tests
    words[85], words[86], words[87] = 0x0001, 0x0000, 0x4003  # and it is switched on
    return b"".join(word.to_bytes(2, "little") for word in words)


def _values(attributes: Sequence[Attribute]) -> bytes:
    rows = b"".join(
        bytes([one.id])
        + one.flags.to_bytes(2, "little")
        + bytes([one.value, one.worst])
        + one.raw.to_bytes(6, "little")
        + b"\0"
        for one in attributes
    )
    return _summed(b"\x10\0" + rows)


def _thresholds(attributes: Sequence[Attribute]) -> bytes:
    rows = b"".join(bytes([one.id, one.limit]) + bytes(10) for one in attributes)
    return _summed(b"\x10\0" + rows)


def _summed(data: bytes) -> bytes:
    """Padded, with a last byte that makes the sum of all zero."""
    padded = data.ljust(SECTOR - 1, b"\0")
    return padded + bytes([-sum(padded) % 256])
