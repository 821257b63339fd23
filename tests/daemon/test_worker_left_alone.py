"""A worker whose daemon is gone, and that can't end, does not hold its locks for ever."""

import signal
import subprocess
import sys

STUCK = """
import signal, sys, threading
from backupkeeper.worker import Allowance, Mouth, Reporting, listen

signal.signal(signal.SIGTERM, signal.SIG_IGN)  # as one that waits for a lock heeds it late, or never
reporting = Reporting(Mouth(sys.stdout.buffer))
threading.Thread(
    target=listen, args=(sys.stdin.buffer, reporting, Allowance(None)), kwargs={"grace_s": 0.1}
).start()
print("begun", flush=True)
threading.Event().wait()
"""


def test_one_that_can_not_end_kills_itself() -> None:
    """Seen: one that hung held the catalog's folder, and neither a new daemon nor ``status`` began."""
    with subprocess.Popen(
        [sys.executable, "-c", STUCK], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == b"begun\n"
            process.stdin.close()
            assert process.wait(30) == -signal.SIGKILL
        finally:
            process.kill()
