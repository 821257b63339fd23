"""The threads that send: they do all they are handed, and hold nobody up who stops."""

import threading
from collections.abc import Iterator
from typing import Any

import pytest

from backupkeeper.cloud import crew as crews
from backupkeeper.cloud.crew import Crew
from backupkeeper.core.model import BLOCK_BYTES
from tests.real.store import Opener, Server, blocks_of, content_of, made_up
from tests.world.faults import put_in
from tests.world.remembering import Remembered

pytest_plugins = ["tests.real.store_fixtures"]

MIB = 1024 * 1024


def test_all_that_was_handed_over_is_done_by_so_many_at_most() -> None:
    crew = Crew(3, "part")
    futures = [crew.submit(lambda number: number * 2, number) for number in range(50)]
    assert [future.result(30) for future in futures] == [2 * number for number in range(50)]
    assert len([one for one in threading.enumerate() if one.name.startswith("part")]) <= 3
    crew.close(hurries=False)
    assert not [one for one in threading.enumerate() if one.name.startswith("part")]


def test_what_fails_is_told_to_who_waits_for_it_and_the_others_go_on() -> None:
    crew = Crew(1, "part")

    def fail() -> None:
        raise KeyboardInterrupt

    failed, fine = crew.submit(fail), crew.submit(lambda: "fine")
    with pytest.raises(KeyboardInterrupt):
        failed.result(30)
    assert fine.result(30) == "fine"
    crew.close(hurries=False)


def test_what_was_cancelled_in_time_is_never_done() -> None:
    crew, go, done = Crew(1, "part"), threading.Event(), list[int]()
    first = crew.submit(go.wait, 30)
    second = crew.submit(done.append, 1)
    assert second.cancel()
    go.set()
    assert first.result(30)
    crew.close(hurries=False)
    assert done == []


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """A store that answers only once the test is over."""
    monkeypatch.setattr(crews, "PATIENCE_S", 0.05)
    event = threading.Event()
    yield event
    event.set()
    for thread in threading.enumerate():
        if thread.name.startswith("part"):
            thread.join(30)


def test_ctrl_c_does_not_wait_for_a_line_that_went_silent(
    opened: Opener, moto: Server, answers: threading.Event
) -> None:
    name = moto.new_bucket()
    bucket = opened(moto.url, name)
    bucket.capabilities()
    data, memory, on_its_way = made_up(20 * MIB), Remembered(), threading.Event()

    def silent(request: Any) -> None:
        on_its_way.set()
        answers.wait(60)

    put_in(bucket, "UploadPart", silent)

    def interrupted() -> Iterator[memoryview]:
        for number, block in enumerate(blocks_of(data)):
            if number == 3:
                assert on_its_way.wait(30)
                raise KeyboardInterrupt
            yield block

    assert len(data) > 3 * BLOCK_BYTES
    with pytest.raises(KeyboardInterrupt):
        bucket.send("A001.MP4", content_of(data), interrupted(), memory=memory)
    assert not answers.is_set()
    assert memory.told == ["begun"]
    assert moto.keys(name) == []
