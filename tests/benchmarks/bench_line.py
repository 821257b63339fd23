"""With a limit set, how near to it does the rate over a minute come, on a real store?

Counted outside of the program, by a proxy in front of radosgw. Ratios, for people; the law itself is
held by ``tests/cloud/test_throttle.py`` with a clock of its own.
"""

import threading
import time

import pytest

from backupkeeper.cloud.bucket import open_bucket
from backupkeeper.cloud.throttle import Throttle
from backupkeeper.cloud.tuning import Tuning
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import BLOCK_BYTES
from tests.benchmarks.conftest import Row
from tests.cloud.line import Line, line_to
from tests.real.store import Chance, Server, StoppedClock, blocks_of, content_of, made_up

pytest_plugins = ["tests.real.store_fixtures"]

MINUTE_S = 60.0
RATES = {"2 Mbit/s": 250_000, "20 Mbit/s": 2_500_000, "200 Mbit/s": 25_000_000}


def _rate(line: Line, sending: threading.Thread) -> float:
    """Bytes a second over a minute, begun when bytes flow."""
    while not line.sent and sending.is_alive():
        time.sleep(0.05)
    time.sleep(2)
    before, begun = line.sent, time.perf_counter()
    time.sleep(MINUTE_S)
    return (line.sent - before) / (time.perf_counter() - begun)


@pytest.mark.real("store")
@pytest.mark.parametrize("rate", RATES)
def bench_a_limit_over_a_minute(credentials: object, radosgw: Server, row: Row, rate: str) -> None:
    limit, law = RATES[rate], [float(RATES[rate])]
    # A little more than two minutes' worth; sent again and again it need not be made anew.
    data = made_up(min(64, max(2, 20 * limit // BLOCK_BYTES)) * BLOCK_BYTES)
    content, ended = content_of(data), threading.Event()
    with line_to(radosgw.url) as line:
        bucket = open_bucket(
            f"s3://{radosgw.new_bucket()}/shelf",
            endpoint=line.url,
            profile=None,
            clock=StoppedClock(),
            entropy=Chance(),
            tuning=Tuning(throttle=Throttle(lambda: law[0], seconds=time.perf_counter)),
        )
        bucket.capabilities()
        line.forget()

        def send() -> None:
            number = 0
            while not ended.is_set():
                number += 1
                try:
                    bucket.send(f"A{number:04}.MP4", content, blocks_of(data))
                except BackupkeeperError:
                    return

        sending = threading.Thread(target=send)
        sending.start()
        seen = _rate(line, sending)
        ended.set()
        law[0] = 1e12
        sending.join()
    row(
        f"a limit of {rate}, over a minute: {seen * 8 / 1e6:,.3f} Mbit/s",
        f"{seen / limit:.4f} of the limit",
        "0.95 to 1.05",
        "pytest tests/benchmarks/bench_line.py",
    )
