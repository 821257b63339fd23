"""The gate before a store: who passes, what counts as a round, what is taken for too much."""

import threading
from collections.abc import Callable
from typing import Any

import pytest
from botocore.exceptions import ConnectionClosedError, NoCredentialsError, ReadTimeoutError

from backupkeeper.cloud.gate import COOL_S, Gate
from backupkeeper.cloud.s3 import PARTS_AT_FIRST, SMALL_AT_FIRST
from tests.real.store import Opener, Server, StoppedClock, blocks_of, content_of, made_up
from tests.world.answers import answer, error
from tests.world.faults import put_in

pytest_plugins = ["tests.real.store_fixtures"]

MIB = 1024 * 1024


class Stopwatch:
    """Moved by hand; threads may look."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


class Crew:
    """Threads that pass a gate again and again; ``each`` is done past it."""

    def __init__(self, gate: Gate, threads: int, times: int, each: Callable[[], None]) -> None:
        self.lock = threading.Lock()
        self.past = self.most = 0
        self.gate, self.times, self.each = gate, times, each
        self.together = threading.Barrier(threads)
        crew = [threading.Thread(target=self._work) for _ in range(threads)]
        for one in crew:
            one.start()
        for one in crew:
            one.join()

    def _work(self) -> None:
        self.together.wait(30)
        for _ in range(self.times):
            with self.gate.passing(1):
                with self.lock:
                    self.past += 1
                    self.most = max(self.most, self.past)
                self.each()
                with self.lock:
                    self.past -= 1


def test_never_more_pass_than_are_allowed() -> None:
    gate = Gate(8, start=3, seconds=Stopwatch())
    assert Crew(gate, 12, 20, lambda: None).most <= 3


def test_more_pass_once_that_was_seen_to_help() -> None:
    watch = Stopwatch()
    gate = Gate(8, start=2, seconds=watch)
    lock = threading.Lock()

    def far_away() -> None:
        """Each takes a second, however many are on their way."""
        threading.Event().wait(0.001)  # others come to the gate meanwhile
        with lock:
            watch.seconds += 1 / gate.allowed

    Crew(gate, 12, 40, far_away)
    assert gate.allowed == 8


def test_where_the_gate_is_not_full_nothing_is_concluded() -> None:
    watch = Stopwatch()
    gate = Gate(8, start=2, seconds=watch)
    for _ in range(100):
        with gate.passing(1):
            watch.seconds += 1
    assert gate.allowed == 2


def test_what_fails_makes_room_and_counts_for_nothing() -> None:
    gate = Gate(2, start=1, seconds=Stopwatch())
    for _ in range(3):
        with pytest.raises(KeyboardInterrupt), gate.passing(1):
            raise KeyboardInterrupt
    with gate.passing(1):
        assert gate.allowed == 1


def test_signs_that_come_together_count_once() -> None:
    watch = Stopwatch()
    gate = Gate(32, start=32, seconds=watch)
    for _ in range(32):
        gate.too_much()
    assert gate.allowed == 16
    watch.seconds = COOL_S
    gate.too_much()
    assert gate.allowed == 8


@pytest.mark.parametrize(
    ("problem", "too_much"),
    [
        (ReadTimeoutError(endpoint_url="the store"), True),
        (ConnectionClosedError(endpoint_url="the store"), True),
        (NoCredentialsError(), False),
    ],
)
def test_what_stalls_is_a_sign_and_what_is_wrong_is_none(
    problem: Exception, too_much: bool
) -> None:
    gate = Gate(8, start=8, seconds=Stopwatch())
    gate._met(caught_exception=problem)
    assert gate.allowed == 8, "nothing was past it: a bucket that is tried may hang up"
    with gate.passing(1):
        gate._met(caught_exception=problem)
    assert (gate.allowed == 4) is too_much


@pytest.mark.parametrize(
    ("fault", "parts"),
    [
        pytest.param(lambda r: error(r.url, 503, "SlowDown"), 1, id="SlowDown"),
        pytest.param(lambda r: answer(r.url, 429), 1, id="too many requests"),
        pytest.param(lambda r: error(r.url, 500, "InternalError"), 2, id="a failure of its own"),
    ],
)
def test_a_store_that_asks_for_fewer_gets_fewer_before_it_refuses(
    opened: Opener, moto: Server, fault: Callable[[Any], Any], parts: int
) -> None:
    bucket = opened(moto.url, moto.new_bucket(), clock=StoppedClock())
    assert (bucket._parts.allowed, bucket._whole.allowed) == (PARTS_AT_FIRST, SMALL_AT_FIRST)
    bucket.capabilities()
    put_in(bucket, "UploadPart", fault, times=1)
    data = made_up(20 * MIB)
    bucket.send("A001.MP4", content_of(data), blocks_of(data))
    assert b"".join(bucket.fetch("A001.MP4")) == data
    assert (bucket._parts.allowed, bucket._whole.allowed) == (parts, SMALL_AT_FIRST)


def test_small_files_make_way_too(opened: Opener, moto: Server) -> None:
    bucket = opened(moto.url, moto.new_bucket())
    bucket.capabilities()
    put_in(bucket, "PutObject", lambda request: error(request.url, 503, "SlowDown"), times=1)
    bucket.send("B.WAV", content_of(b"sound"), blocks_of(b"sound"))
    assert bucket._whole.allowed == SMALL_AT_FIRST // 2
    assert bucket._parts.allowed == PARTS_AT_FIRST
