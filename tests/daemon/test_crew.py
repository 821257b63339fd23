"""Workers are real processes here: some work, some hang, some die, some talk nonsense."""

import os
import queue
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import pytest

from backupkeeper.daemon.crew import Ended, Moved, News, Processes
from backupkeeper.daemon.errand import Errand, Failed, Finished
from backupkeeper.ports.waiting import Wait

PRELUDE = """
import json, os, signal, sys, time
def say(**word): print(json.dumps(word), flush=True)
def moving(held=False):
    say(word="moving", what="w", bytes_done=1, bytes_total=2, files_done=0, files_total=1, path="",
        held=held, sent_bytes=0, proven_files=0, against_files=0, against=[])
def finished():
    say(word="finished", said="Done.", size_bytes=1, files=1, seconds=0.0, troubles=[], sealed=False,
        folders=[], may_wipe=None, reasons=[], strange=[], free=[], sight="", posted=False)
errand = sys.stdin.readline()
"""
PATIENCE_S = 20.0


@dataclass
class Watchmaker:
    """A stopwatch that is set by hand."""

    at: float = 0.0

    def __call__(self) -> float:
        return self.at


@dataclass
class Stand:
    crew: Processes
    watch: Watchmaker
    news: "queue.SimpleQueue[News]"
    seen: list[News] = field(default_factory=list)

    def next(self, kind: type[News]) -> News:
        until = time.monotonic() + PATIENCE_S
        while True:
            one = self.news.get(timeout=max(0.01, until - time.monotonic()))
            self.seen.append(one)
            if isinstance(one, kind):
                return one

    def end(self) -> Ended:
        ended = self.next(Ended)
        assert isinstance(ended, Ended)
        return ended


@contextmanager
def crew_of(script: str) -> Iterator[Stand]:
    news: queue.SimpleQueue[News] = queue.SimpleQueue()
    watch = Watchmaker()
    command = [sys.executable, "-c", PRELUDE + script]
    crew = Processes(news.put, seconds=watch, command=command)
    stand = Stand(crew=crew, watch=watch, news=news)
    try:
        yield stand
    finally:
        for process in crew.processes():
            os.kill(process, signal.SIGKILL)
        crew.end()


def _is_gone(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    return False


def _until(is_so: Callable[[], bool]) -> None:
    until = time.monotonic() + PATIENCE_S
    while not is_so():
        assert time.monotonic() < until
        os.sched_yield()


def test_a_worker_is_heard_and_its_end_is_told_once() -> None:
    with crew_of("moving(); finished()") as stand:
        stand.crew.start("a", Errand())
        moved, ended = stand.next(Moved), stand.end()
        assert isinstance(moved, Moved)
        assert moved.moving.bytes_total == 2
        assert isinstance(ended.came, Finished)
        assert (ended.key, ended.came.said, ended.lost) == ("a", "Done.", False)
        _until(lambda: not stand.crew.processes())
        assert stand.news.empty()


def test_a_worker_that_dies_without_a_word_has_failed_with_the_end_of_what_it_printed() -> None:
    with crew_of("raise ValueError('the reader is odd')") as stand:
        stand.crew.start("a", Errand())
        came = stand.end().came
        assert isinstance(came, Failed)
        assert came.error == "BrokenPromiseError"
        assert "the reader is odd" in came.message


def test_a_worker_that_was_killed_has_failed() -> None:
    with crew_of("os.kill(os.getpid(), signal.SIGKILL)") as stand:
        stand.crew.start("a", Errand())
        assert stand.end().came == Failed(
            error="BrokenPromiseError", message="A worker ended with code -9 and no word."
        )


def test_a_worker_that_talks_nonsense_is_ended_and_has_failed() -> None:
    with crew_of("print('hello', flush=True); time.sleep(600)") as stand:
        stand.crew.start("a", Errand())
        came = stand.end().came
        assert isinstance(came, Failed)
        assert came.error == "ListingError"


def test_a_stop_is_asked_for_first() -> None:
    script = """
assert sys.stdin.readline() == "stop\\n"
say(word="failed", error="stopped", message="Stopped.", advice="", process=None)
"""
    with crew_of(script) as stand:
        stand.crew.start("a", Errand())
        stand.crew.stop("a")
        stand.crew.stop("a")
        assert stand.end().came == Failed(error="stopped", message="Stopped.")


def test_hold_and_resume_reach_the_worker() -> None:
    script = """
assert sys.stdin.readline() == "hold\\n"
moving(held=True)
assert sys.stdin.readline() == "resume\\n"
finished()
"""
    with crew_of(script) as stand:
        stand.crew.start("a", Errand())
        stand.crew.hold("a", held=True)
        moved = stand.next(Moved)
        assert isinstance(moved, Moved)
        assert moved.moving.held
        stand.crew.hold("a", held=False)
        assert isinstance(stand.end().came, Finished)


def test_how_fast_it_may_send_reaches_the_worker() -> None:
    script = """
assert sys.stdin.readline() == "line 2500.000\\n"
assert sys.stdin.readline() == "line whole\\n"
finished()
"""
    with crew_of(script) as stand:
        stand.crew.start("a", Errand())
        stand.crew.limit("a", 2500)
        stand.crew.limit("a", None)
        stand.crew.limit("nobody", 1)
        assert isinstance(stand.end().came, Finished)


DEAF = "signal.signal(signal.SIGTERM, signal.SIG_IGN); moving(); time.sleep(600)"


def test_a_worker_that_does_not_hear_is_killed_after_three_seconds_of_the_stopwatch() -> None:
    with crew_of(DEAF) as stand:
        stand.crew.start("a", Errand())
        stand.next(Moved)
        assert stand.crew.tend() is None
        stand.crew.stop("a")
        assert stand.crew.tend() == pytest.approx(3.0)
        stand.watch.at = 2.9
        assert stand.crew.tend() == pytest.approx(0.1)
        assert stand.crew.processes()
        stand.watch.at = 3.0
        assert stand.crew.tend() == pytest.approx(2.0)
        assert stand.end().came == Failed(error="stopped", message="Stopped.")


def test_a_worker_that_even_a_kill_does_not_end_is_given_up_and_told_as_lost() -> None:
    # A process that is stopped by a tracer, or sits in the kernel, is not to be had in a test
    # without root: so the kill is kept from reaching it.
    with crew_of(DEAF) as stand:
        stand.crew.start("a", Errand())
        stand.next(Moved)
        (process,) = stand.crew.processes()
        (worker,) = stand.crew._workers.values()
        worker.process.kill = lambda: None  # type: ignore[method-assign]  # the system does not end it
        stand.crew.stop("a")
        stand.watch.at = 3.0
        stand.crew.tend()
        stand.watch.at = 5.0
        assert stand.crew.tend() is None
        ended = stand.end()
        assert ended.lost
        assert str(process) in ended.came.message  # type: ignore[union-attr]  # a Failed
        assert not stand.crew.processes()
        os.kill(process, signal.SIGKILL)
        _until(lambda: not worker.reader.is_alive())
        assert stand.news.empty(), "its end must not be told twice"


def test_a_mount_that_keeps_an_earlier_look_is_not_looked_at_again_until_that_ends() -> None:
    with crew_of(DEAF) as stand:
        stand.crew.start("look at|m1", Errand(point="/media/main"))
        stand.next(Moved)
        (process,) = stand.crew.processes()
        (worker,) = stand.crew._workers.values()
        kill = worker.process.kill
        worker.process.kill = lambda: None  # type: ignore[method-assign]  # as above
        stand.crew.stop("look at|m1")
        for at in (3.0, 5.0):
            stand.watch.at = at
            stand.crew.tend()
        assert stand.end().lost
        stand.crew.start("look at|m1", Errand(point="/media/main"))
        again = stand.end()
        assert again.lost
        assert str(process) in again.came.message  # type: ignore[union-attr]  # a Failed
        assert not stand.crew.processes()
        kill()
        worker.process.wait(PATIENCE_S)
        stand.crew.start("look at|m1", Errand(point="/media/main"))
        assert stand.crew.processes()


def test_who_is_kept_in_one_wait_for_minutes_is_told_with_the_file() -> None:
    waits = {7: Wait(woken=1, path="/media/main/a")}
    with crew_of(DEAF) as stand:
        stand.crew._waiting = lambda _process: waits
        stand.crew.start("a", Errand())
        stand.next(Moved)
        assert stand.crew.stuck() == {}
        stand.watch.at = 299.0
        assert stand.crew.stuck() == {}
        stand.watch.at = 300.0
        assert stand.crew.stuck() == {"a": "/media/main/a"}, (
            "not looked again, and known all the same"
        )
        waits[7] = Wait(woken=2, path="/media/main/b")
        stand.watch.at = 305.0
        assert stand.crew.stuck() == {}


def test_ending_the_crew_ends_everybody_within_five_seconds() -> None:
    news: queue.SimpleQueue[News] = queue.SimpleQueue()
    command = [sys.executable, "-c", PRELUDE + DEAF]
    crew = Processes(news.put, seconds=time.monotonic, command=command)
    crew.start("a", Errand())
    crew.start("b", Errand())
    processes = crew.processes()
    for _ in range(2):
        assert isinstance(news.get(timeout=PATIENCE_S), Moved)
    begun = time.monotonic()
    crew.end()
    assert time.monotonic() - begun < 5.0
    assert all(_is_gone(process) for process in processes)


def test_a_program_that_is_not_there_is_a_failure_not_an_exception() -> None:
    news: queue.SimpleQueue[News] = queue.SimpleQueue()
    crew = Processes(news.put, seconds=time.monotonic, command=["/nowhere/at/all"])
    crew.start("a", Errand())
    ended = news.get(timeout=PATIENCE_S)
    assert isinstance(ended, Ended)
    assert isinstance(ended.came, Failed)


def test_words_to_a_worker_that_is_gone_are_lost_without_harm() -> None:
    with crew_of("finished()") as stand:
        stand.crew.start("a", Errand())
        stand.end()
        stand.crew.hold("a", held=True)
        stand.crew.stop("a")
        assert stand.crew.tend() is None
