"""What was moved by hand on a drive that can't be read past memory, or not at all, or was known twice."""

import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.actions.moved_run import FACTS_A_STEP
from backupkeeper.actions.verify import verify
from backupkeeper.core.model import CopyState, Role
from tests.stories.scoped_yard import ScopedYard
from tests.stories.test_moved_by_hand import CARD, CLIP, ROLL, call_missing, move, take, yard
from tests.stories.typed import typed
from tests.stories.yard import QUIET, SHOOT, clip

__all__ = ["yard"]
NOW = f"Boats/Originals/Wide/Roll 01/{CLIP}"


@contextmanager
def in_memory() -> Iterator[Path]:
    if not os.path.isdir("/dev/shm"):
        pytest.skip("no file system in memory here")
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        yield Path(folder)


def test_where_only_memory_answers_it_is_there_and_not_proven() -> None:
    with in_memory() as folder:
        made = ScopedYard(folder)
        made.drives()
        take(made, "card", CARD)
        move(made, SHOOT, "Boats")
        said = made.verify("Main")
        assert said.matching_files == len(CARD)
        assert "memory" in said.not_cold["Main"]
        assert [one.not_cold for one in said.moved] == [len(CARD)]
        assert made.copies("Main")[NOW].state is CopyState.WRITTEN
        assert Role.PRIMARY in made.gaps_of("Roll 01")
        move(made, "Boats", "Barges")
        call_missing(made)
        brought = made.mirror()
        assert brought.copied_files == 0
        assert "memory" in brought.not_cold["Main"]


class Unreadable:
    """The real system, but a file can't be opened."""

    def __init__(self, files: Any, path: str) -> None:
        self._files, self._path = files, path

    def __getattr__(self, name: str) -> Any:
        return getattr(self._files, name)

    def open_read(self, path: str, *, direct: bool = False) -> Any:
        if path.endswith(self._path):
            raise OSError(errno.EIO, "made up")
        return self._files.open_read(path, direct=direct)


def test_what_can_t_be_read_where_it_lies_now_is_unreadable_there_and_the_rest_is_found(
    yard: ScopedYard,
) -> None:
    move(yard, SHOOT, "Boats")
    with yard.context() as context:
        failing = replace(context, files=Unreadable(context.files, NOW))
        said = verify(failing, "Main", QUIET)
    assert [(one.path, one.finding.value) for one in said.checked] == [(NOW, "unreadable")]
    assert said.matching_files == len(CARD) - 1
    assert Role.PRIMARY in yard.gaps_of("Roll 01")
    assert yard.verify("Main").all_well, "it counts as soon as it can be read"
    assert yard.gaps_of("Roll 01") == (Role.CLOUD,)


def test_what_was_adopted_where_it_was_moved_to_and_moved_on_is_found_once(
    yard: ScopedYard,
) -> None:
    """Nobody looked in between: facts still say that it lies in its first folder, and in the second."""
    move(yard, ROLL, f"{SHOOT}/Originals/Close/Roll 01")
    said = typed(yard, "adopt", "Main", "--json")
    assert said.code == 0, said.all
    yard.clock.at += timedelta(minutes=10)
    move(yard, f"{SHOOT}/Originals/Close/Roll 01", "Boats")
    outcome = yard.verify("Main")
    assert outcome.all_well, outcome
    assert outcome.matching_files == len(CARD)
    assert sum(one.files for one in outcome.moved) == len(CARD)
    assert yard.verify("Main").all_well


def test_many_files_are_recorded_step_by_step(yard: ScopedYard) -> None:
    many = {f"DCIM/{number:04}.JPG": clip(number, 500) for number in range(FACTS_A_STEP)}
    take(yard, "many", many)
    move(yard, SHOOT, "Boats")
    said = yard.verify("Main")
    assert (said.all_well, said.matching_files) == (True, len(CARD) + len(many))
    assert [(one.was, one.now, one.files) for one in said.moved] == [
        (SHOOT, "Boats", len(CARD) + len(many))
    ]
