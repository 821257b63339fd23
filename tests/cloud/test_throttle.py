"""What leaves for a bucket goes no faster than it may, and only what leaves is counted."""

import io
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, time as clock_time, timedelta

import pytest

from backupkeeper.cloud.bucket import open_bucket
from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.cloud.throttle import LOOK_AGAIN_S, ByTheClock, PacedBody, Throttle
from backupkeeper.cloud.tuning import Tuning
from backupkeeper.core.hours import Window
from backupkeeper.core.line import LineRule, LineWindow
from backupkeeper.core.model import BLOCK_BYTES
from tests.cloud.line import Line, line_to
from tests.real.store import Chance, Server, StoppedClock, blocks_of, content_of, made_up

pytest_plugins = ["tests.real.store_fixtures"]

RATE = 2_500_000
DATA = made_up(3 * BLOCK_BYTES + 12_345)


@dataclass
class Watch:
    """A stopwatch that waiting moves on; threads may share it."""

    at_s: float = 0.0
    waits: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def seconds(self) -> float:
        return self.at_s

    def wait(self, seconds: float) -> None:
        with self.lock:
            self.waits += 1
            self.at_s += seconds


def throttle(watch: Watch, limit: float | None) -> tuple[Throttle, list[float | None]]:
    """One whose limit the test changes."""
    law = [limit]
    return Throttle(lambda: law[0], seconds=watch.seconds, wait=watch.wait), law


@pytest.mark.parametrize("rate", [8_000, 100_000, RATE])
def test_over_a_minute_the_rate_is_the_limit_within_five_percent(rate: int) -> None:
    watch = Watch()
    paced, _ = throttle(watch, rate)
    body = PacedBody(io.BytesIO(bytes(1024 * 1024)), paced)
    sent, marks = 0, []
    while watch.at_s < 180:
        while data := body.read(16_384):
            sent += len(data)
            marks.append((watch.at_s, sent))
        body.seek(0)
    for start in range(0, 60, 7):
        first = next(total for at_s, total in marks if at_s >= start)
        last = next(total for at_s, total in marks if at_s >= start + 60)
        assert abs((last - first) / 60 / rate - 1) < 0.05


def test_another_limit_counts_within_seconds_and_a_closed_line_lets_nothing_through() -> None:
    watch = Watch()
    paced, law = throttle(watch, 8_000)
    paced.let_through(8_000, lambda: None)
    law[0] = RATE
    paced.let_through(1, lambda: None)
    assert watch.at_s < 1, "what was owed at the slow rate is not waited for at that rate"
    law[0] = 0.0
    opens_at = watch.at_s + 3600

    def opens() -> None:
        if watch.at_s >= opens_at:
            law[0] = None

    paced.let_through(1, opens)
    assert opens_at <= watch.at_s <= opens_at + 2 * LOOK_AGAIN_S
    assert paced.passed_bytes == 8_002


def test_who_is_stopped_while_waiting_stops() -> None:
    watch = Watch()
    paced, _ = throttle(watch, 0.0)

    class Stopped(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            if watch.at_s > 5:
                raise InterruptedError
            return super().read(size)

    with pytest.raises(InterruptedError):
        PacedBody(Stopped(b"x"), paced).read(1)
    assert watch.at_s < 6


def opened(server: Server, paced: Throttle, *, url: str = "") -> S3Bucket:
    return open_bucket(
        f"s3://{server.new_bucket()}/shelf",
        endpoint=url or server.url,
        profile=None,
        clock=StoppedClock(),
        entropy=Chance(),
        tuning=Tuning(usual_part=2 * BLOCK_BYTES, attempts=3, throttle=paced),
    )


def test_every_byte_counts_once_though_it_is_read_to_be_signed_too(
    credentials: None, at_once: None, one_loader: None, server: Server
) -> None:
    watch = Watch()
    paced, _ = throttle(watch, RATE)
    bucket = opened(server, paced)
    bucket.capabilities()
    before, began_s = paced.passed_bytes, watch.at_s
    bucket.send("A001.MP4", content_of(DATA), blocks_of(DATA))
    counted = paced.passed_bytes - before
    assert len(DATA) <= counted < len(DATA) + 4096, "the parts, and the list of parts"
    took_s = watch.at_s - began_s
    assert took_s > len(DATA) / RATE * 0.9
    assert b"".join(bucket.fetch("A001.MP4")) == DATA
    assert paced.passed_bytes - before == counted, "what comes back is not counted"


def test_what_is_sent_again_counts_again(
    credentials: None, at_once: None, one_loader: None, moto: Server
) -> None:
    watch = Watch()
    paced, _ = throttle(watch, None)
    with line_to(moto.url) as line:
        bucket = opened(moto, paced, url=line.url)
        _sent_twice(bucket, paced, line)


def _sent_twice(bucket: S3Bucket, paced: Throttle, line: Line) -> None:
    bucket.capabilities()
    before = paced.passed_bytes
    line.needle, line.answer_lost, line.times = b"PUT /", True, 1
    data = DATA[: BLOCK_BYTES + 7]
    bucket.send("A001.MP4", content_of(data), blocks_of(data))
    assert line.cuts == 1
    assert paced.passed_bytes - before == 2 * len(data)
    assert b"".join(bucket.fetch("A001.MP4")) == data


def test_connections_that_a_closed_line_cost_are_made_up_for_when_it_opens(
    credentials: None, at_once: None, one_loader: None, server: Server
) -> None:
    """A store hangs up on who sends nothing for long: the parts on their way are sent again."""
    law, closed = [len(DATA) / 4], threading.Event()

    def wait(seconds: float) -> None:
        if law[0] == 0:
            closed.set()
        threading.Event().wait(min(seconds, 0.01))

    paced = Throttle(lambda: law[0], seconds=time.perf_counter, wait=wait)
    with line_to(server.url) as line:
        bucket = opened(server, paced, url=line.url)
        bucket.capabilities()
        before = paced.passed_bytes
        sending = threading.Thread(
            target=bucket.send, args=("A001.MP4", content_of(DATA), blocks_of(DATA))
        )
        sending.start()
        while paced.passed_bytes - before < len(DATA) // 4:
            threading.Event().wait(0.001)
        law[0] = 0.0
        assert closed.wait(20)
        line.hang_up()
        still = paced.passed_bytes
        threading.Event().wait(0.05)
        assert paced.passed_bytes == still, "nothing passes while it is closed"
        law[0] = 1e9
        sending.join(60)
        assert not sending.is_alive()
        assert len(DATA) < paced.passed_bytes - before <= 2 * len(DATA) + 10_000
        assert b"".join(bucket.fetch("A001.MP4")) == DATA


def test_the_law_of_the_clock_follows_the_hour_and_a_word_of_the_person() -> None:
    class Clock:
        at = datetime(2026, 6, 12, 12, tzinfo=UTC)
        asked = 0

        def now(self) -> datetime:
            self.asked += 1
            return self.at

        def monotonic(self) -> float:
            return 0.0

    clock = Clock()
    slow = LineWindow(window=Window(start=clock_time(7), end=clock_time(23)), limit=RATE)
    law = ByTheClock(LineRule(limit=9_000, windows=(slow,)), tz=UTC, clock=clock)
    assert law() == RATE
    clock.at += timedelta(hours=11)
    assert law() == 9_000, "outside of the windows a command goes on by the general limit"
    clock.at -= timedelta(hours=3)
    assert law() == RATE, "a clock that was set back is noticed"
    law.whole_line = True
    assert law() is None
    assert ByTheClock(LineRule(), tz=UTC, clock=clock)() is None
