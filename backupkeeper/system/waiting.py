"""Which threads of a process the system keeps waiting for a device, and on what: Linux's ``/proc``.

A thread in an uninterruptible wait (state ``D``) that was not woken once between two looks waits for the
very same thing. That is how the kernel itself tells a hung task (``kernel.hung_task_timeout_secs`` in the
kernel's own documentation of sysctl/kernel). Nothing here touches a device; where the
system does not tell, nobody waits.
"""

import fcntl
import os
from collections.abc import Mapping
from contextlib import suppress

from backupkeeper.ports.waiting import Wait


def waiting(process: int) -> Mapping[int, Wait]:
    """The threads of a process that wait for a device now, by their number."""
    found = {}
    with suppress(OSError):
        for name in os.listdir(f"/proc/{process}/task"):
            task = f"/proc/{process}/task/{name}"
            with suppress(OSError, ValueError, IndexError):
                told = _read(f"{task}/status")
                if _field(told, "State").startswith("D"):
                    woken = int(_field(told, "voluntary_ctxt_switches"))
                    found[int(name)] = Wait(woken=woken, path=_path(process, task))
    return found


def let_go_of_locks() -> None:
    """Unlock every file that this process has locked (``flock``).

    A process that is killed while a device keeps one of its threads keeps its open files, and with them
    its locks on all else, until the device answers.
    """
    for name in os.listdir("/proc/self/fd"):
        with suppress(OSError):
            fcntl.flock(int(name), fcntl.LOCK_UN)


def _read(path: str) -> str:
    with open(path, encoding="utf-8", errors="surrogateescape") as file:
        return file.read()


def _field(told: str, name: str) -> str:
    return next(
        line.partition(":")[2].strip() for line in told.splitlines() if line.startswith(f"{name}:")
    )


def _path(process: int, task: str) -> str:
    """The file of the call that it waits in, where that is told and is one on a file handle."""
    with suppress(OSError, ValueError, IndexError):
        handle = int(_read(f"{task}/syscall").split()[1], 16)
        path = os.readlink(f"/proc/{process}/fd/{handle}")
        return path if path.startswith("/") else ""
    return ""
