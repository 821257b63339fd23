"""A device that gives no answer is told once after a minute, and given up after ten."""

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field

import pytest

from backupkeeper.cli import patience
from backupkeeper.cli.patience import Patience, patient
from backupkeeper.core.errors import NoAnswerError
from backupkeeper.ports.waiting import Wait


@dataclass
class Stand:
    at: float = 0.0
    woken: int = 3
    path: str = "/media/main/a\x1b.mp4"
    waits: bool = True
    told: list[str] = field(default_factory=list)
    given_up: list[NoAnswerError] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.patience = Patience(
            self.waiting, lambda: self.at, self.told.append, self.given_up.append
        )

    def waiting(self, _process: int) -> Mapping[int, Wait]:
        return {7: Wait(woken=self.woken, path=self.path)} if self.waits else {}

    def look(self, at: float) -> None:
        self.at = at
        self.patience.look()


def test_it_is_told_after_a_minute_once_for_each_wait() -> None:
    stand = Stand()
    for at in (0.0, 59.0):
        stand.look(at)
    assert stand.told == []
    for at in (60.0, 65.0, 300.0):
        stand.look(at)
    (said,) = stand.told
    assert "No answer for a minute from what holds" in said
    assert "\x1b" not in said
    stand.woken = 4
    for at in (305.0, 365.0):
        stand.look(at)
    assert len(stand.told) == 2
    assert stand.given_up == []


@pytest.mark.parametrize(("path", "called"), [("/media/main/a", "/media/main/a"), ("", "a file")])
def test_after_ten_minutes_it_is_given_up(path: str, called: str) -> None:
    stand = Stand(path=path)
    stand.look(1.0)
    stand.look(600.0)
    assert stand.given_up == []
    stand.look(601.0)
    assert f"What holds {called} has given no answer for 10 minutes" in str(stand.given_up[0])
    assert stand.given_up[0].exit_code == 3


def test_who_is_answered_hears_nothing() -> None:
    stand = Stand(waits=False)
    for at in (0.0, 1000.0):
        stand.look(at)
    assert (stand.told, stand.given_up) == ([], [])


def test_it_looks_while_the_work_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "EVERY_S", 0.001)
    stand, looked = Stand(), threading.Event()
    monkeypatch.setattr(stand.patience, "look", looked.set)
    with patient(stand.patience):
        assert looked.wait(20)
