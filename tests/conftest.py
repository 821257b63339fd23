"""Marks that need a real part of the machine: where it is missing, the test is skipped in one line."""

import ctypes
import importlib.util
import os
import shutil
import signal
import subprocess
from collections import Counter
from collections.abc import Callable, Iterator

import hypothesis
import pytest

hypothesis.settings.register_profile("ours", deadline=None)  # timings are never assertions
hypothesis.settings.load_profile("ours")

STANDARDS: str = os.path.join(os.path.dirname(__file__), "..", "..", "shared", "standards")


def _root_with(*programs: str) -> str | None:
    if os.geteuid() != 0:
        return "needs root to mount loop devices"
    if not os.path.exists("/dev/loop-control"):
        return "needs loop devices"
    missing = [name for name in programs if shutil.which(name, path=_PATH) is None]
    return f"needs {', '.join(missing)}" if missing else None


_PATH = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"


def _tools(*programs: str) -> str | None:
    missing = [name for name in programs if shutil.which(name, path=_PATH) is None]
    return f"needs {', '.join(missing)}" if missing else None


def _userns() -> str | None:
    try:
        done = subprocess.run(
            ["unshare", "--user", "--map-root-user", "true"], capture_output=True, check=False
        )
    except OSError:
        return "needs unshare"
    return None if done.returncode == 0 else "needs user namespaces"


def _fuse() -> str | None:
    if os.geteuid() != 0:
        return "needs root to mount through FUSE"
    return None if os.path.exists("/dev/fuse") else "needs /dev/fuse"


def _browser() -> str | None:
    if importlib.util.find_spec("playwright") is None:
        return "needs playwright (the dependency group dev)"
    found = any(shutil.which(name, path=_PATH) for name in ("chromium", "chromium-browser"))
    return None if found else "needs chromium"


PARTS: dict[str, Callable[[], str | None]] = {
    "ext4": lambda: _root_with("mkfs.ext4"),
    "xfs": lambda: _root_with("mkfs.xfs", "xfs_io"),
    "exfat": lambda: _root_with("mkfs.exfat", "mount.exfat-fuse"),
    "fuse": _fuse,
    "store": lambda: _tools("ceph-mon", "ceph-osd", "radosgw"),
    "strace": lambda: _tools("strace"),
    "userns": _userns,
    "age": lambda: _tools("age", "age-keygen"),
    "b3sum": lambda: _tools("b3sum"),
    "systemd": lambda: _tools("systemd-analyze"),
    "pdftotext": lambda: _tools("pdftotext"),
    "smartctl": lambda: _tools("smartctl"),
    "dbus": lambda: _tools("dbus-daemon"),
    "xmllint": lambda: _tools("xmllint"),
    "xxhsum": lambda: _tools("xxhsum"),
    "browser": _browser,
    "standards": lambda: (
        None
        if os.path.isdir(STANDARDS)
        else "needs the folder ../shared/standards beside the checkout"
    ),
}


def _can_be_interrupted() -> None:
    """Heed SIGINT again where we were started with it ignored, as a shell starts what it puts aside with ``&``.

    A program inherits that (POSIX, ``exec``), and those that the tests stop as Ctrl-C does would
    never end.
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _have_own_mounts() -> None:
    """A mount namespace of one's own (unshare(2)), where the system lets us.

    So a daemon under test sees no drives of the other workers' tests: it would send a process to look
    at each of them. Killed, it leaves no mounts behind.
    """
    if ctypes.CDLL(None, use_errno=True).unshare(_CLONE_NEWNS) == 0:
        # What others unmount is unmounted here too, or their devices would stay in use.
        subprocess.run(["mount", "--make-rslave", "/"], check=False)


_CLONE_NEWNS = 0x00020000
"""``linux/sched.h``."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """``--require-real``: a missing real part is a failure, as in continuous integration."""
    parser.addoption(
        "--require-real",
        action="store_true",
        help="stop where a real part of the machine is missing",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Give each worker mounts of its own; refuse to start where a real part is missing and was asked for.

    Only the folder of published standards may be missing: it lies outside the checkout.
    """
    _can_be_interrupted()
    if "PYTEST_XDIST_WORKER" in os.environ and os.geteuid() == 0:
        _have_own_mounts()
    if not config.getoption("--require-real"):
        return
    lacking = {part: why for part, check in PARTS.items() if (why := check()) is not None}
    lacking.pop("standards", None)
    if lacking:
        told = "; ".join(f"{part}: {why}" for part, why in lacking.items())
        raise pytest.UsageError(f"--require-real, but these real parts are missing: {told}")


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> Iterator[None]:
    """Skip what needs a part that this machine has not; ``.ci/run`` fails on such a skip.

    Side by side (pytest-xdist), tests on real parts stay together: those of one file share a worker,
    and all that use the one browser do too. Each worker that needs an object store has its own.
    pytest-xdist begins with the largest groups; of the others the slow ones come first, so that all
    workers end together.
    """
    lacking = {part: check() for part, check in PARTS.items()}
    for item in items:
        parts = [part for mark in item.iter_markers("real") for part in mark.args]
        for part in parts:
            if lacking[part] is not None:
                item.add_marker(pytest.mark.skip(reason=f"real part {part}: {lacking[part]}"))
        if parts:
            group = "browser" if "browser" in parts else item.path.stem
            item.add_marker(pytest.mark.xdist_group(group))
    yield
    if "PYTEST_XDIST_WORKER" in os.environ:
        items.sort(key=lambda item: item.get_closest_marker("slow") is None)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """One line for each real part that was missing: how many tests it cost, and why."""
    missing: Counter[str] = Counter()
    for report in terminalreporter.stats.get("skipped", []):
        told = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        if (at := told.find("real part ")) >= 0:
            missing[told[at:]] += 1
    for told, tests in sorted(missing.items()):
        terminalreporter.write_line(f"not tried, {tests} tests: {told}")
