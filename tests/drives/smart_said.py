"""What smartctl 7.3 printed for an NVMe and a SCSI drive, and for drives that can't be asked.

Recorded from ``smartctl --json=c -a -n standby,3 -d nvme|scsi`` on a loop device whose ``ioctl``
calls were answered by a small library of ours with the values seen here; what no parser of ours
looks at is left out. ATA needs no record: ``tests/real`` plays a made-up drive to the real program.
"""

import copy
import json
from typing import Any

Said = dict[str, Any]

NVME: Said = {
    "json_format_version": [1, 0],
    "smartctl": {"version": [7, 3], "exit_status": 0},
    "device": {"name": "/dev/loop0", "type": "nvme", "protocol": "NVMe"},
    "smart_support": {"available": True, "enabled": True},
    "smart_status": {"passed": True, "nvme": {"value": 0}},
    "nvme_smart_health_information_log": {
        "critical_warning": 0,
        "temperature": 37,
        "available_spare": 90,
        "available_spare_threshold": 10,
        "percentage_used": 7,
        "data_units_read": 1000,
        "data_units_written": 2000,
        "host_reads": 0,
        "host_writes": 0,
        "controller_busy_time": 0,
        "power_cycles": 55,
        "power_on_hours": 4321,
        "unsafe_shutdowns": 0,
        "media_errors": 3,
        "num_err_log_entries": 0,
    },
    "temperature": {"current": 37},
    "power_cycle_count": 55,
    "power_on_time": {"hours": 4321},
}
SCSI: Said = {
    "json_format_version": [1, 0],
    "smartctl": {"version": [7, 3], "exit_status": 4},
    "device": {"name": "/dev/loop0", "type": "scsi", "protocol": "SCSI"},
    "smart_support": {"available": True, "enabled": True},
    "temperature_warning": {"enabled": False},
    "smart_status": {"passed": True},
    "power_on_time": {"hours": 4321, "minutes": 0},
    "scsi_grown_defect_list": 5,
    "scsi_error_counter_log": {
        "read": {"total_errors_corrected": 3, "total_uncorrected_errors": 3},
        "write": {"total_errors_corrected": 3, "total_uncorrected_errors": 4},
        "verify": {"total_errors_corrected": 3, "total_uncorrected_errors": 5},
    },
    "scsi_pending_defects": {"count": 2},
}
SCSI_HOT: Said = {
    **SCSI,
    "smart_status": {
        "passed": False,
        "scsi": {"asc": 11, "ascq": 1, "ie_string": "WARNING - SPECIFIED TEMPERATURE EXCEEDED"},
    },
}
SCSI_FAILING: Said = {
    **SCSI,
    "smart_status": {
        "passed": False,
        "scsi": {
            "asc": 93,
            "ascq": 16,
            "ie_string": "HARDWARE IMPENDING FAILURE GENERAL HARD DRIVE FAILURE",
        },
    },
}
EVERYTHING = 2**128 - 1


def nvme(**log: int) -> Said:
    """The NVMe drive, with other values in its log."""
    said = copy.deepcopy(NVME)
    said["nvme_smart_health_information_log"].update(log)
    said["smart_status"]["passed"] = not said["nvme_smart_health_information_log"][
        "critical_warning"
    ]
    return said


def refused(message: str) -> Said:
    """What is printed where the drive could not be asked."""
    return {
        "json_format_version": [1, 0],
        "smartctl": {
            "version": [7, 3],
            "messages": [{"string": message, "severity": "error"}],
            "exit_status": 2,
        },
    }


def printed(said: object) -> bytes:
    """As on standard output."""
    return json.dumps(said).encode()
