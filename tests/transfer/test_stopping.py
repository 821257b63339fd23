"""The pipeline stopped half way: by a person, by its caller, by a kill. Nothing is left running."""

import threading
from collections.abc import Callable
from types import SimpleNamespace

import pytest

from backupkeeper.ports.progress import Quiet
from backupkeeper.transfer import pipeline
from backupkeeper.transfer.pipeline import Copied, Landed, copy_files
from tests.transfer.made_up_drives import EIO, Stand, copy, drives, some
from tests.world.killing import Killed

DATA = some(1, 9_000)


def interrupt() -> bool:
    raise KeyboardInterrupt


@pytest.mark.parametrize("stop", [lambda: True, interrupt])
def test_a_stop_leaves_no_thread_no_handle_and_no_final_name(stop: Callable[[], bool]) -> None:
    stand = Stand()
    jobs = [stand.job(f"C{n}", some(n, 50_000)) for n in range(50)]
    before = set(threading.enumerate())  # one of another test may end meanwhile
    done: list[Copied] = []
    try:
        for batch in copy_files(jobs, drives(), files=stand.files, progress=Quiet(), stop=stop):
            done += batch
    except KeyboardInterrupt:
        assert stop is interrupt
    assert set(threading.enumerate()) <= before
    assert stand.open_handles == 0
    told = {target for copied in done for target in copied.job.targets.values()}
    assert all(stand.on_medium(path) is not None for path in told)


def test_an_iterator_that_is_left_early_ends_its_threads() -> None:
    stand = Stand()
    jobs = [stand.job(f"C{n}", some(n, 5_000)) for n in range(600)]
    before = set(threading.enumerate())  # one of another test may end meanwhile
    batches_made = copy_files(jobs, drives(), files=stand.files, progress=Quiet())
    assert next(batches_made)
    batches_made.close()  # type: ignore[attr-defined]  # it is a generator, as its docstring says
    assert set(threading.enumerate()) <= before
    assert stand.open_handles == 0


def test_a_kill_in_a_thread_reaches_the_caller() -> None:
    stand = Stand()
    stand.fail["write_at"] = ("/main", Killed())
    with pytest.raises(Killed):
        copy(stand, [stand.job("one", DATA)])


def test_what_was_left_is_continued_by_the_next_run() -> None:
    stand = Stand()
    jobs = [stand.job(f"C{n}", some(n, 50_000)) for n in range(50)]
    calls = [0]

    def soon() -> bool:
        calls[0] += 1
        return calls[0] > 2

    for _ in copy_files(jobs, drives(), files=stand.files, progress=Quiet(), stop=soon):
        pass
    done = copy(stand, jobs)
    assert len(done) == 50
    for copied in done:
        for target in copied.job.targets.values():
            assert stand.on_medium(target) == stand.seen()[copied.job.source]
    assert len(stand.seen()) == 150


def test_threads_that_take_their_time_to_end_do_not_cost_the_second_attempt(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Lingering(threading.Thread):
        def run(self) -> None:
            super().run()
            threading.Event().wait(0.05)

    monkeypatch.setattr(
        pipeline, "threading", SimpleNamespace(Thread=Lingering, Event=threading.Event)
    )
    stand = Stand()
    stand.fail["sync_tree"], stand.times["sync_tree"] = ("/second", EIO), 1
    (copied,) = copy(stand, [stand.job("one", DATA)])
    assert all(isinstance(what, Landed) for what in copied.places.values())
