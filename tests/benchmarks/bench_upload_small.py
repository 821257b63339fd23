"""Many small files into a bucket, side by side and one after another, in one run (issue 5).

``BENCH_SMALL_FILES`` files of 3 kB (20,000) against the real store on loopback, with a round trip of
20 ms and with none. One after another only a part of them is sent: the rate is what is compared.
"""

import os
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from backupkeeper.actions import upload as uploading
from backupkeeper.core.model import CopyState, Role
from tests.benchmarks.conftest import Row
from tests.benchmarks.far_line import far_line
from tests.real.store import Server
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, HandClock

pytest_plugins = ["tests.real.store_fixtures"]

FILES = int(os.environ.get("BENCH_SMALL_FILES", "20000"))
SLOWLY = max(100, FILES // 40)
COMMAND = "pytest tests/benchmarks/bench_upload_small.py"


def made(root: Path, *, files: int, url: str, bucket: str) -> ScopedYard:
    """A yard with so many small files on two drives and a bucket."""
    root.mkdir()
    yard = ScopedYard(
        root, policy="distinct_devices = false", clock=HandClock(at=datetime.now(UTC))
    )
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage", role=Role.CLOUD, name="Off site", endpoint=url, profile=None
        )
    for number in range(files):
        file = root / "card" / f"DCIM/{100 + number // 1000}BOATY/BOAT{number:05}.XML"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(f"<clip number='{number}'/>\n".encode() * 120)
    assert yard.offload(root / "card").sealed
    return yard


def rate(yard: ScopedYard, files: int) -> float:
    """Files a second."""
    begun = time.perf_counter()
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    seconds = time.perf_counter() - begun
    assert (outcome.sent_files, outcome.troubles) == (files, ())
    assert yard.states("Off site") == {CopyState.PROVEN}
    return files / seconds


@pytest.mark.real("store")
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("milliseconds", [20, 0])
def bench_small_files(
    tmp_path: Path,
    radosgw: Server,
    credentials: object,
    monkeypatch: pytest.MonkeyPatch,
    row: Row,
    milliseconds: int,
) -> None:
    """Side by side against one after another."""
    bucket = radosgw.new_bucket()
    with far_line(radosgw.url, milliseconds=milliseconds) as far:
        url = far if milliseconds else radosgw.url
        many = made(tmp_path / "many", files=FILES, url=url, bucket=bucket)
        fast = rate(many, FILES)
        few = made(tmp_path / "few", files=SLOWLY, url=url, bucket=radosgw.new_bucket())
        monkeypatch.setattr(uploading, "are_small", lambda todo: [])
        slow = rate(few, SLOWLY)
    row(
        f"{FILES:,} files of 3 kB, round trip {milliseconds} ms: {fast:.0f}/s, "
        f"one after another {slow:.0f}/s",
        f"{fast / slow:.1f} times as fast",
        ">= 5" if milliseconds else "told, no figure wanted",
        COMMAND,
    )
