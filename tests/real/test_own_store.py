"""The tests' own real store: with it goes everything that it started, however its tests end."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from tests.real.store import free_ports

HERE = Path(__file__).parents[2]
HOLDING = """
import sys
from tests.real.store import running_store
with running_store() as server:
    print(server.certificate, flush=True)
    sys.stdin.read()
"""


def named(pids: Path) -> list[psutil.Process]:
    """The processes that a store's folder names."""
    return [psutil.Process(int(line.split()[0])) for line in pids.read_text().splitlines()]


@pytest.mark.real("store")
@pytest.mark.slow
def test_a_store_whose_tests_were_killed_ends_by_itself() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLDING],
        cwd=HERE,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(HERE)},
    ) as holding:
        assert holding.stdout is not None
        folder = Path(holding.stdout.readline().decode().strip()).parent
        processes = named(folder / "pids")
        assert {one.name() for one in processes} >= {"ceph-mon", "ceph-osd", "radosgw"}
        holding.send_signal(signal.SIGKILL)
    _, alive = psutil.wait_procs(processes, timeout=60)
    assert alive == []
    assert not folder.exists()  # removed by the last of them


def test_two_workers_never_choose_the_same_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTEST_XDIST_WORKER_COUNT", "2")
    found: list[set[int]] = []
    for worker in ("gw0", "gw1"):
        monkeypatch.setenv("PYTEST_XDIST_WORKER", worker)
        found.append({free_ports(1) // 20 % 2 for _ in range(20)})
    assert found == [{0}, {1}]
