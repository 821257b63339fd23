"""Who waits for a device that gives no answer, on what; and locks that are let go of."""

import fcntl
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from backupkeeper.system.waiting import waiting
from tests.real.fuse_with_holes import bad_drive

READS = """
import os, sys
handle = os.open(sys.argv[1], os.O_RDONLY | os.O_DIRECT)
buffer = memoryview(__import__("mmap").mmap(-1, 1 << 20))
print("begun", flush=True)
os.preadv(handle, [buffer], 0)
"""
PATIENCE_S = 30.0


@pytest.mark.real("fuse", "ext4")
def test_a_process_that_a_device_keeps_waiting_is_known_with_its_file(tmp_path: Path) -> None:
    with bad_drive(str(tmp_path), "ext4") as bad:
        clip = Path(bad.point) / "clip.mp4"
        clip.write_bytes(bytes(range(256)) * 8192)
        bad.drive.remount()
        bad.hurt(str(clip), [(0, 1 << 20)], waits=True)
        with subprocess.Popen(
            [sys.executable, "-c", READS, str(clip)], stdout=subprocess.PIPE
        ) as process:
            try:
                end = time.monotonic() + PATIENCE_S
                while not (found := waiting(process.pid)):
                    assert time.monotonic() < end, "nobody waits"
                    time.sleep(0.01)
                first = found[process.pid]
                assert first.path == str(clip)
                process.kill()  # which ends nobody who waits like this
                assert waiting(process.pid)[process.pid].woken == first.woken
            finally:
                bad.set([])
                process.kill()
        assert waiting(process.pid) == {}


def test_nobody_waits_who_computes_or_is_not_there() -> None:
    assert waiting(os.getpid()) == {}
    assert waiting(2**22 + 1) == {}


def test_locks_are_let_go_of_while_their_files_are_open(tmp_path: Path) -> None:
    file = tmp_path / "lock"
    file.touch()
    script = """
import fcntl, os, sys
from backupkeeper.system.waiting import let_go_of_locks
handle = os.open(sys.argv[1], os.O_RDONLY)
fcntl.flock(handle, fcntl.LOCK_EX)
print("held", flush=True)
sys.stdin.readline()
let_go_of_locks()
print("free", flush=True)
sys.stdin.readline()
"""
    with subprocess.Popen(
        [sys.executable, "-c", script, str(file)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        other = os.open(file, os.O_RDONLY)
        try:
            assert process.stdout.readline() == b"held\n"
            with pytest.raises(BlockingIOError):
                fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
            process.stdin.write(b"\n")
            process.stdin.flush()
            assert process.stdout.readline() == b"free\n"
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        finally:
            os.close(other)
            process.kill()
