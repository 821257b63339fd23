"""What is told is told once; what nobody took comes up again; who failed is left alone for a while."""

import queue
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from backupkeeper.core.matters import Matter
from backupkeeper.daemon.telling import PATIENCE_S, Teller, Told
from backupkeeper.ports.telling import Herald

PATIENCE_OF_TESTS_S = 20.0
MATTER = Matter(id="a", subject="s", body="b")


@dataclass
class HandHerald:
    name: str = "desktop"
    fails: str | None = None
    told: list[str] = field(default_factory=list)
    go: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.go.set()

    def tell(self, *, subject: str, body: str, urgent: bool) -> str | None:
        assert self.go.wait(PATIENCE_OF_TESTS_S)
        self.told.append(subject)
        return self.fails


class Stand:
    def __init__(self, *heralds: Herald) -> None:
        self.at = 0.0
        self.ends: queue.SimpleQueue[Told] = queue.SimpleQueue()
        self.teller = Teller(heralds, self.ends.put, seconds=lambda: self.at)
        self.teller.start()

    def end(self) -> Told:
        return self.ends.get(timeout=PATIENCE_OF_TESTS_S)


@pytest.fixture
def herald() -> HandHerald:
    return HandHerald()


@pytest.fixture
def stand(herald: HandHerald) -> Iterator[Stand]:
    made = Stand(herald)
    yield made
    herald.go.set()
    made.teller.stop()


def test_a_matter_is_told_and_who_took_it_is_said(stand: Stand, herald: HandHerald) -> None:
    assert stand.teller.has_heralds
    stand.teller.tell([MATTER])
    assert stand.end() == Told(matter=MATTER, by=("desktop",), failures=())
    assert herald.told == ["s"]


def test_a_matter_that_is_being_told_is_not_told_twice(stand: Stand, herald: HandHerald) -> None:
    herald.go.clear()
    for _ in range(5):
        stand.teller.tell([MATTER])
    herald.go.set()
    told = stand.end()
    stand.teller.tell([MATTER, Matter(id="b", subject="other", body="b")])
    assert stand.end().matter.id == "b", "the loop has not taken in yet that it was told"
    stand.teller.settled(told.matter)
    stand.teller.tell([MATTER])
    stand.end()
    assert herald.told == ["s", "other", "s"], "the loop alone knows that it was told"


def test_who_failed_is_left_alone_for_five_minutes(stand: Stand, herald: HandHerald) -> None:
    herald.fails = "No bus."
    stand.teller.tell([MATTER])
    assert stand.end() == Told(matter=MATTER, by=(), failures=("No bus.",))
    stand.teller.settled(MATTER)
    stand.at = PATIENCE_S - 1
    stand.teller.tell([MATTER])
    herald.fails = None
    stand.at = PATIENCE_S
    stand.teller.tell([MATTER])
    assert stand.end().by == ("desktop",)
    assert len(herald.told) == 2


def test_every_way_is_tried_for_each_matter() -> None:
    desktop, command = HandHerald(), HandHerald(name="command", fails="It ended with 1.")
    stand = Stand(desktop, command)
    stand.teller.tell([MATTER])
    assert stand.end() == Told(matter=MATTER, by=("desktop",), failures=("It ended with 1.",))
    stand.teller.stop()


def test_without_heralds_nothing_is_told() -> None:
    stand = Stand()
    assert not stand.teller.has_heralds
    stand.teller.tell([MATTER])
    stand.teller.stop()
    assert stand.ends.empty()


def test_a_herald_that_hangs_does_not_keep_the_daemon_from_ending(herald: HandHerald) -> None:
    stand = Stand(herald)
    herald.go.clear()
    stand.teller.tell([MATTER])
    stand.teller.stop()
    herald.go.set()
    stand.end()
