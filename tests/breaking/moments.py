"""A deed in a process of its own, its system calls counted by strace; and killed, or failed, at a chosen one.

A moment is a call on a path, by its number among the calls of that kind on that path in one thread; so it
stays the same whatever the threads do meanwhile. strace counts likewise (``-P``, ``when=``; tried
with strace 6.1). Whoever is killed on entering a call has not made it: so the moments are all
states that a kill can leave behind, but for the last one.
"""

import os
import re
import select
import signal
import subprocess
import traceback
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ON_HANDLES: Final = (
    *("write", "pwrite64", "pwritev", "ftruncate", "fallocate"),
    *("fsync", "fdatasync", "syncfs"),
)
ON_PATHS: Final = (
    *("rename", "renameat", "renameat2", "link", "linkat", "unlink", "unlinkat"),
    *("mkdir", "mkdirat", "rmdir", "utimensat", "openat"),
)
ON_SOCKETS: Final = ("sendto",)
READS: Final = ("read", "pread64", "preadv", "preadv2", "getdents64")
CALLS: Final = (*ON_HANDLES, *ON_PATHS, *ON_SOCKETS)
_LINE: Final = re.compile(r"^(\d+) +(\w+)\((.*)$")
_HANDLE: Final = re.compile(r"^\d+<(/[^>]*)>")
_QUOTED: Final = re.compile(r'"([^"]*)"')
PATIENCE_S: Final = 120.0
CRASHED: Final = 99
"""How a process exits of which an exception leaves."""


@dataclass(frozen=True, order=True)
class Moment:
    """The ``nth`` call of a kind on a path ("": on sockets) in one thread; its number there on any path."""

    call: str
    path: str
    nth: int
    on_any: int

    def __str__(self) -> str:
        on = os.path.basename(self.path) or "a socket"
        return f"{self.call} {self.nth} on {on}"


Deed = Callable[[], int | None]
"""Its answer is the code with which the process exits."""


def moments_of(deed: Deed, folder: Path, log: Path, *, reads: bool = False) -> list[Moment]:
    """Every call that changes something below a folder, or sends something; the deed is done for it.

    Args:
        deed: what to do.
        folder: calls on other paths don't count.
        log: where strace writes.
        reads: what reads, and opens to read, counts too.
    """
    calls = (*CALLS, *READS) if reads else CALLS
    status = traced(deed, log, ["-y", "-e", f"trace={','.join(calls)}"])
    assert status == 0, (log.with_suffix(".error")).read_text()
    seen: Counter[tuple[str, str, str]] = Counter()
    found: dict[tuple[str, str, int], Moment] = {}
    for line in log.read_text(errors="replace").splitlines():
        if (match := _LINE.match(line)) is None:
            continue
        thread, call, rest = match.groups()
        path = _path(call, rest)
        for one in {path or "", ""}:
            seen[thread, call, one] += 1
        if path is None or (path and not path.startswith(f"{folder}/") and path != str(folder)):
            continue
        if reads or call != "openat" or "O_CREAT" in rest:
            moment = Moment(call, path, seen[thread, call, path], seen[thread, call, ""])
            found.setdefault((call, path, moment.nth), moment)
    return list(found.values())


def _path(call: str, rest: str) -> str | None:
    """On what a call was made; None where that is no matter."""
    if call in ON_SOCKETS:
        return "" if "<TCP" in rest or "<socket" in rest else None
    match = _HANDLE.match(rest) if call in (*ON_HANDLES, *READS) else _QUOTED.search(rest)
    return match[1] if match is not None else None


def injected_on(log: Path) -> str | None:
    """The path of the first call that strace let fail ("": it does not say); None: there was none."""
    for line in log.read_text(errors="replace").splitlines():
        if "(INJECTED)" in line:
            match = _LINE.match(line)
            return (_path(match[2], match[3]) or "") if match is not None else ""
    return None


def killed_at(deed: Deed, moment: Moment, log: Path, *, by_path: bool) -> bool:
    """Do it in a process that is killed at a moment; whether the moment came.

    Args:
        deed: what to do.
        moment: when.
        log: where strace writes.
        by_path: by the number among the calls on this path; else among those on any, for files whose
            names are others each time.
    """
    status = traced(deed, log, at_moment(moment, "signal=KILL", by_path=by_path))
    assert status in {0, -signal.SIGKILL}, log.with_suffix(".error").read_text()
    return status != 0


def at_moment(
    moment: Moment, what: str, *, by_path: bool = True, on_and_on: bool = False
) -> list[str]:
    """What to tell strace so that something happens at a moment.

    Args:
        moment: when.
        what: ``signal=KILL``, ``error=EIO``, ``retval=0`` …
        by_path: see ``killed_at``.
        on_and_on: at every such call from then on.
    """
    when = f"{moment.nth if by_path else moment.on_any}{'+' if on_and_on else ''}"
    options = ["-e", f"trace={moment.call}", "-e", f"inject={moment.call}:{what}:when={when}"]
    return [*options, "-P", moment.path] if by_path and moment.path else options


def traced(
    deed: Deed, log: Path, options: list[str], meanwhile: Callable[[int], None] | None = None
) -> int:
    """Do it under strace; how the process ended.

    Args:
        deed: what to do.
        log: where strace writes.
        options: of strace.
        meanwhile: told the process id once it is at work.

    Raises:
        AssertionError: it did not end in ``PATIENCE_S``.
    """
    come, go = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(go)
        _in_child(deed, come, log.with_suffix(".error"))
    os.close(come)
    try:
        strace = subprocess.Popen(
            ["strace", "-f", "-o", str(log), *options, "-p", str(child)],
            stderr=subprocess.PIPE,
            text=True,
        )
        assert strace.stderr is not None
        said = next((line for line in strace.stderr if "attached" in line), "")
    finally:
        # Whoever waits goes on in any case, or nothing would ever end.
        os.write(go, b".")
        os.close(go)
    if meanwhile is not None:
        meanwhile(child)
    in_time = _ends(child)
    if not in_time:
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    strace.communicate(timeout=PATIENCE_S)
    assert said, "strace did not attach"
    assert in_time, "it did not end"
    return os.waitstatus_to_exitcode(status)


def _ends(child: int) -> bool:
    """Whether a child comes to its end in bearable time."""
    handle = os.pidfd_open(child)
    try:
        return bool(select.select([handle], [], [], PATIENCE_S)[0])
    finally:
        os.close(handle)


def _in_child(deed: Deed, come: int, error: Path) -> None:
    try:
        os.read(come, 1)
        os.close(come)
        code = deed() or 0
    except BaseException:  # noqa: BLE001 - the child must end here, whatever it met
        with suppress(OSError):
            error.write_text(traceback.format_exc())
        os._exit(CRASHED)
    os._exit(code)
