"""The loop looks around again in time, however much it is told meanwhile.

Progress comes twice a second for hours, and changed files as often: neither may keep it from its plan
(a person at work on a drive, a place that was let go, systemd's watchdog).
"""

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from backupkeeper.daemon import loop as loop_module
from backupkeeper.daemon.crew import Moved
from backupkeeper.daemon.errand import Moving
from backupkeeper.daemon.loop import Letter, Loop, Order, Touched
from tests.daemon.whole_loop import whole_loop

TICK_S = 0.3
LONG_S = 20.0
PROGRESS = Moved(
    key="a deed",
    moving=Moving(
        what="", bytes_done=1, bytes_total=2, files_done=0, files_total=1, path="", held=False
    ),
)


@pytest.fixture
def loop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Loop]:
    monkeypatch.setattr(loop_module, "TICK_S", TICK_S)
    with whole_loop(tmp_path) as made:
        yield made


def waited(loop: Loop, letter: Callable[[], Letter]) -> float:
    """Seconds that the loop slept while it was told something all the time."""
    ended = threading.Event()

    def tell() -> None:
        end = time.monotonic() + LONG_S
        while not ended.wait(TICK_S / 10) and time.monotonic() < end:
            loop.inbox.put(letter())

    thread = threading.Thread(target=tell)
    begun = time.monotonic()
    thread.start()
    loop._wait()
    took = time.monotonic() - begun
    ended.set()
    thread.join()
    return took


@pytest.mark.parametrize("letter", [PROGRESS, Touched(root="/main", path="/main/clip")])
def test_what_changes_no_plan_neither_wakes_it_at_once_nor_keeps_it_from_waking(
    loop: Loop, letter: Letter
) -> None:
    assert TICK_S / 2 < waited(loop, lambda: letter) < LONG_S / 2


def test_what_may_change_the_plan_wakes_it_at_once(
    loop: Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loop_module, "TICK_S", LONG_S)
    loop.inbox.put(PROGRESS)
    loop.inbox.put(Order.LOOK)
    begun = time.monotonic()
    loop._wait()
    assert time.monotonic() - begun < LONG_S / 2
