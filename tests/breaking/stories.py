"""Random stories from seeds: how many there are, and how one is told again."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import hypothesis
from hypothesis.stateful import run_state_machine_as_test

from tests.breaking.machine import Machine
from tests.breaking.tally import TALLY
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store

IS_LONG: Final = "BACKUPKEEPER_STEPS" in os.environ
"""Whether this is ``make break``."""
SHRINKS: Final = "BACKUPKEEPER_SHRINK" in os.environ
"""Whether a story that ends badly is told again and again, each time shorter."""
A_STORY: Final = 100 if IS_LONG else 50
"""Steps of one story, at most."""
STORIES: Final = 4 if IS_LONG else 2
"""So many are drawn from one seed."""


def say(line: str) -> None:
    """To whoever runs the bench (pytest shows it where a test failed, and with ``-s``)."""
    sys.stdout.write(line + "\n")


@contextmanager
def told_in(folder: Path) -> Iterator[None]:
    """Stories play in this folder, with a store of their own; what they did is counted anew."""
    TALLY.clear()
    Machine.root, Machine.world = folder, World()
    with strict_store(Machine.world) as Machine.url:
        yield


def tell(seed: int, *, shrinks: bool = SHRINKS) -> None:
    """The stories of one seed, which are the same each time.

    Raises:
        AssertionError: the program did what the model says that it must not.
    """
    phases = [hypothesis.Phase.generate]
    run_state_machine_as_test(
        hypothesis.seed(seed)(Machine),
        settings=hypothesis.settings(
            max_examples=STORIES,
            stateful_step_count=A_STORY,
            phases=[*phases, hypothesis.Phase.shrink] if shrinks else phases,
            database=None,
            deadline=None,
            print_blob=False,
            report_multiple_bugs=False,
            suppress_health_check=list(hypothesis.HealthCheck),
        ),
    )


def tell_until(steps: int, seed: int) -> None:
    """The stories of one seed after the other, until there were so many steps."""
    while TALLY["steps"] < steps:
        say(f'seed {seed}; again: make break SEED={seed} STEPS=1 ARGS="-k agrees"')
        tell(seed)
        seed += 1
    for what, count in sorted(TALLY.items()):
        say(f"{count:7} {what}")
