"""What ``smartctl --json`` printed, as signs; everything in it is hostile.

Promises:
1. Whatever the bytes are, there is an answer: signs, or a sentence why there are none. Nothing is
   raised, nothing printed here came from the drive beyond a short name of letters and digits.
2. A count of the wrong type, negative or absurd is "not told"; it never becomes a zero.
3. An alarm about heat is a warning, not a failing drive, though smartctl says "failed" for it.
4. An NVMe log of nothing but zeros, or with bits set that have no meaning, is the bridge's, not the
   drive's, and is not believed.

Sources: keys as smartctl 7.3 itself printed them for made-up drives of all three kinds (ATA:
``tests/real/made_up_ata_drive.py``; NVMe and SCSI: its system calls answered by us, kept in
``tests/drives/smart_said.py``); the bits of its exit status: smartctl(8), EXIT STATUS. What an
attribute's number and a bit of NVMe's critical warning mean is what it calls them there; so are
SCSI's additional sense codes (0Bh warns, 01h after it of heat; 5Dh foretells a failure). From
memory: the two keys for wear of later versions.
"""

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from backupkeeper.core.trends import SmartSigns

MOST_BYTES: Final = 4 * 1024 * 1024
"""No answer is longer (the longest logs make some 100 kB)."""
ASLEEP_STATUS: Final = 3
"""Asked of smartctl for a sleeping drive: bits 0 and 1, which no other outcome sets together."""
_UNASKED: Final = 0b0000_0011
_FAILING: Final = 0b0000_1000
_FORETOLD: Final = 0b0001_0000
_MOST_COUNT: Final = 2**53
"""smartctl's own limit for numbers that are exact in JSON; no drive counts so far."""
_MOST_SECTORS: Final = 2**32 - 1
_MOST_HOURS: Final = 100 * 8766
_MOST_ATTRIBUTES: Final = 256
_MOST_MESSAGES: Final = 8
_LONGEST: Final = 160

_REALLOCATED, _REPORTED, _PENDING, _OFFLINE, _CRC = 5, 187, 197, 198, 199
_LEADING_NUMBER: Final = re.compile(r"([0-9]{1,15})(?![0-9xh+])")
_SCSI_WARNING: Final = 0x0B
_SCSI_HEAT: Final = 0x01
_NVME_HEAT: Final = 0x02
_NVME_MEANT: Final = 0x3F
_NVME_WARNINGS: Final = (
    (0x01, "Its spare blocks have fallen below the limit that its maker set."),
    (0x04, "It says that it can no longer be relied on, for errors of its media or its inside."),
    (0x08, "It has gone read-only."),
    (0x10, "The backup of its volatile memory has failed."),
    (0x20, "Its persistent memory region has become unreliable or read-only."),
)
FORETOLD: Final = "One of its values that foretell failures is at the limit that its maker set."
TOO_HOT: Final = "It is, or was when asked, hotter or colder than its maker allows."
WARNS: Final = "It warns of what its own checks found."
SELF_TEST: Final = "Its last self-tests found errors."
_SELF_TEST_LOG: Final = 0b1000_0000

ASLEEP: Final = "The drive sleeps, or does not say whether it does, and was not woken to be asked."
NOT_ALLOWED: Final = (
    "The system does not let us ask this drive: that needs the administrator's rights."
)
NO_NONSENSE: Final = "What the drive told of its health makes no sense, so it is not believed."
TELLS_NOTHING: Final = "The drive tells nothing of its health."
NOT_ASKED: Final = (
    "This drive, or the bridge or machine that it hangs on, can't be asked for its health"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class SmartAnswer:
    """What a drive said of itself, or a sentence why it said nothing (which speaks for nothing)."""

    signs: SmartSigns | None
    why_not: str = ""


def understood(output: bytes, status: int, at: datetime) -> SmartAnswer:
    """What smartctl's output comes to.

    Args:
        output: what it printed, with ``--json``.
        status: its exit status, a mask of bits.
        at: when it was asked.
    """
    told = _parsed(output)
    if not isinstance(told, dict):
        return SmartAnswer(signs=None, why_not=NO_NONSENSE)
    if status == ASLEEP_STATUS:
        return SmartAnswer(signs=None, why_not=ASLEEP)
    if status < 0 or status & _UNASKED:
        return SmartAnswer(signs=None, why_not=_why_not(told))
    log = _within(told, "nvme_smart_health_information_log")
    if isinstance(log, dict) and not _is_sane(log):
        return SmartAnswer(signs=None, why_not=NO_NONSENSE)
    signs = _signs(told, status, at)
    if _says_nothing(signs):
        return SmartAnswer(signs=None, why_not=TELLS_NOTHING)
    return SmartAnswer(signs=signs)


def _parsed(output: bytes) -> object:
    if len(output) > MOST_BYTES:
        return None
    try:
        return json.loads(output.decode("utf-8", "replace"))
    except (ValueError, RecursionError):
        return None


def _within(told: object, *keys: str) -> object:
    for key in keys:
        told = told.get(key) if isinstance(told, dict) else None
    return told


def _number(told: object, most: int = _MOST_COUNT) -> int | None:
    if isinstance(told, int) and not isinstance(told, bool) and 0 <= told <= most:
        return told
    return None


def _truth(told: object) -> bool | None:
    return told if isinstance(told, bool) else None


def _list(told: object, most: int) -> Sequence[object]:
    return told[:most] if isinstance(told, list) else ()


def _why_not(told: object) -> str:
    messages = [
        _plain(string)
        for message in _list(_within(told, "smartctl", "messages"), _MOST_MESSAGES)
        if isinstance(string := _within(message, "string"), str)
    ]
    if any("Permission denied" in message for message in messages):
        return NOT_ALLOWED
    said = next((message for message in messages if message), "")
    return f"{NOT_ASKED} ({said})." if said else f"{NOT_ASKED}."


def _signs(told: object, status: int, at: datetime) -> SmartSigns:
    rows = tuple(_rows(told))
    nvme = _within(told, "nvme_smart_health_information_log")
    passed, critical, warnings = _verdict(told, status)
    now, later = _limits(rows)
    if status & _FORETOLD and not now:
        now = (FORETOLD,)
    tested = (SELF_TEST,) if status & _SELF_TEST_LOG else ()
    return SmartSigns(
        passed=passed,
        pending=_first(
            _raw(rows, _PENDING), _number(_within(told, "scsi_pending_defects", "count"))
        ),
        reallocated=_first(
            _raw(rows, _REALLOCATED), _number(_within(told, "scsi_grown_defect_list"))
        ),
        uncorrectable=_raw(rows, _OFFLINE),
        cable_errors=_raw(rows, _CRC),
        media_errors=_first(
            _raw(rows, _REPORTED), _number(_within(nvme, "media_errors")), _scsi_errors(told)
        ),
        wear_percent=_first(
            _number(_within(nvme, "percentage_used"), 255),
            _number(_within(told, "scsi_percentage_used_endurance_indicator"), 255),
            _number(_within(told, "endurance_used", "current_percent"), 255),
        ),
        power_on_hours=_first(
            _number(_within(told, "power_on_time", "hours"), _MOST_HOURS),
            _number(_within(nvme, "power_on_hours"), _MOST_HOURS),
        ),
        critical=(*critical, *now),
        at=at,
        warnings=(*warnings, *later, *tested),
    )


def _first(*numbers: int | None) -> int | None:
    return next((number for number in numbers if number is not None), None)


def _says_nothing(signs: SmartSigns) -> bool:
    told = (
        signs.passed,
        signs.pending,
        signs.reallocated,
        signs.uncorrectable,
        signs.cable_errors,
        signs.media_errors,
        signs.wear_percent,
    )
    return not signs.critical and not signs.warnings and all(one is None for one in told)


def _verdict(told: object, status: int) -> tuple[bool | None, tuple[str, ...], tuple[str, ...]]:
    """The drive's own verdict, what fails, and what is to be watched."""
    mask = _number(_within(told, "nvme_smart_health_information_log", "critical_warning"), 255)
    if mask is not None:
        failing = tuple(sentence for bit, sentence in _NVME_WARNINGS if mask & bit)
        return not failing, failing, (TOO_HOT,) if mask & _NVME_HEAT else ()
    passed = _truth(_within(told, "smart_status", "passed"))
    sense = _number(_within(told, "smart_status", "scsi", "asc"), 255)
    if passed is False and sense == _SCSI_WARNING:
        heat = _within(told, "smart_status", "scsi", "ascq") == _SCSI_HEAT
        return None, (), (TOO_HOT if heat else WARNS,)
    return (False if status & _FAILING else passed), (), ()


def _is_sane(log: dict[object, object]) -> bool:
    mask = _number(log.get("critical_warning"), 255)
    told = [number for number in log.values() if isinstance(number, int)]
    return mask is not None and not mask & ~_NVME_MEANT and any(told)


def _rows(told: object) -> Iterator[tuple[int, object]]:
    """The attributes of an ATA drive by number; the first of a number counts."""
    seen: set[int] = set()
    for row in _list(_within(told, "ata_smart_attributes", "table"), _MOST_ATTRIBUTES):
        number = _number(_within(row, "id"), 255)
        if number is not None and number not in seen:
            seen.add(number)
            yield number, row


def _raw(rows: Sequence[tuple[int, object]], wanted: int) -> int | None:
    """The raw count of an attribute.

    Makers pack several numbers into the 48 bits. smartctl knows for many models which of them is the
    count, and prints it first in ``raw.string`` (smartctl(8), ``-v``: attribute 5 is a 16-bit number
    with two more after it, most others are one of 48 bits). What is still beyond all sectors of a
    drive is packed in a way that nobody told, and not known.
    """
    row = next((row for number, row in rows if number == wanted), None)
    string = _within(row, "raw", "string")
    if isinstance(string, str) and (found := _LEADING_NUMBER.match(string)):
        return _number(int(found[1]), _MOST_SECTORS)
    return _number(_within(row, "raw", "value"), _MOST_SECTORS)


def _scsi_errors(told: object) -> int | None:
    counts = [
        _number(_within(told, "scsi_error_counter_log", way, "total_uncorrected_errors"))
        for way in ("read", "write", "verify")
    ]
    known = [count for count in counts if count is not None]
    return sum(known) if known else None


def _limits(rows: Sequence[tuple[int, object]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Attributes at their makers' limits: those that foretell a failure now, and the rest.

    That one for use or age was there in the past is passed over: a warm day does that.
    """
    now, later = [], []
    for number, row in rows:
        name = _within(row, "name")
        called = re.sub(r"[^A-Za-z0-9_-]", "", name)[:32] if isinstance(name, str) else ""
        told = f"attribute {number} ({called})" if called else f"attribute {number}"
        foretells = _within(row, "flags", "prefailure") is True
        when = _within(row, "when_failed")
        if when == "now" and foretells:
            now.append(f"Its {told}, which foretells failures, is at the limit that its maker set.")
        elif when == "now":
            later.append(f"Its {told} is at the limit that its maker set.")
        elif when == "past" and foretells:
            later.append(f"Its {told}, which foretells failures, was at its limit in the past.")
    return tuple(now), tuple(later)


def _plain(text: str) -> str:
    """The beginning of it as printable ASCII on one line, without a full stop at the end."""
    kept = "".join(one if " " <= one <= "~" else " " for one in text[: 4 * _LONGEST])
    return " ".join(kept.split())[:_LONGEST].rstrip(". ")
