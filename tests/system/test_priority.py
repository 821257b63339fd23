"""Others go first: read from the system itself, in a process of its own."""

import subprocess
import sys

import psutil
import pytest

ASK = (
    "import psutil; from backupkeeper.system.priority import lower_priority; {before}"
    "lower_priority(); p = psutil.Process(); print(p.nice(), int(p.ionice().ioclass))"
)


def told(before: str = "", *prefix: str) -> list[int]:
    words = [*prefix, sys.executable, "-c", ASK.format(before=before)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return [int(word) for word in done.stdout.split()]


pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="classes of I/O are Linux's")


def test_reads_and_computes_only_when_nobody_else_wants_to() -> None:
    assert told() == [10, psutil.IOPRIO_CLASS_IDLE]


def test_who_goes_last_already_is_not_moved_forward() -> None:
    assert told("psutil.Process().nice(19); ") == [19, psutil.IOPRIO_CLASS_IDLE]


def test_where_it_is_not_allowed_nothing_is_said() -> None:
    """As in a sandbox that refuses both calls: here psutil itself says no."""
    refuse = (
        "exec('def no(*told): raise psutil.AccessDenied()'); old = psutil.Process; "
        "psutil.Process = type('P', (old,), {'nice': no, 'ionice': no}); lower_priority(); "
        "psutil.Process = old; "
    )
    assert told(refuse) == [10, psutil.IOPRIO_CLASS_IDLE]
