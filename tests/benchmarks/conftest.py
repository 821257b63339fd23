"""The benchmarks' table: one row for each figure, printed at the end with the command used."""

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterator

import pytest

from tests.benchmarks.stand import Stand, stand

_ROWS = pytest.StashKey[list[tuple[str, str, str, str]]]()
_ON = pytest.StashKey[list[str]]()
Row = Callable[[str, str, str, str], None]


def pytest_configure(config: pytest.Config) -> None:
    """Start an empty table."""
    config.stash[_ROWS] = []
    config.stash[_ON] = []


@pytest.fixture
def row(request: pytest.FixtureRequest) -> Row:
    """Adds a row: what was measured, the figure, the figure that is wanted, the command."""

    def add(what: str, figure: str, wanted: str, command: str) -> None:
        request.config.stash[_ROWS].append((what, figure, wanted, command))

    return add


@pytest.fixture
def make_stand(request: pytest.FixtureRequest) -> Iterator[Callable[[int], Stand]]:
    """Makes stands of so many GiB; all are taken down at the end. ``BENCH_DIR`` says where."""
    with contextlib.ExitStack() as taken_down:

        def make(gib: int) -> Stand:
            root = tempfile.mkdtemp(prefix="backupkeeper-bench-", dir=os.environ.get("BENCH_DIR"))
            loops = os.geteuid() == 0 and os.path.exists("/dev/loop-control")
            made = taken_down.enter_context(stand(root, gib=gib, loops=loops))
            request.config.stash[_ON].append(made.what)
            return made

        yield make


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """Print the table."""
    rows = config.stash[_ROWS]
    if not rows:
        return
    stands = config.stash[_ON]
    terminalreporter.section("benchmarks, " + "; ".join(sorted(set(stands))))
    head = ("what", "measured", "wanted", "by")
    widths = [max(len(line[column]) for line in (head, *rows)) for column in range(4)]
    for line in (head, *rows):
        cells = (cell.ljust(width) for cell, width in zip(line, widths, strict=True))
        terminalreporter.write_line("  ".join(cells).rstrip())
