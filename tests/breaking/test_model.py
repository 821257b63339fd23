"""Random work and misfortune against the model: short in every run of the tests, long in ``make break``.

The idea of a reference model beside the real program: Bornholt et al., "Using Lightweight Formal
Methods to Validate a Key-Value Storage Node in Amazon S3", SOSP 2021.
"""

import os
import time
from pathlib import Path
from typing import Final

import pytest

from tests.breaking.stories import IS_LONG, tell_until, told_in
from tests.breaking.tally import TALLY

pytest_plugins = ["tests.real.store_fixtures"]

STEPS: Final = int(os.environ.get("BACKUPKEEPER_STEPS", "100"))
SEED: Final = int(
    os.environ.get("BACKUPKEEPER_SEED") or (time.time_ns() % 1_000_000 if IS_LONG else 1)
)
LONG: Final = 5_000
"""From so many steps on everything must have been tried, and most of it foretold."""
DEEDS: Final = ("offload", "mirror", "upload", "verify", "repair", "adopt")
TRIED: Final = (
    *DEEDS,
    *(f"{deed}: killed" for deed in DEEDS),
    *("may-wipe", "verdict yes", "verdict no", "adopted", "mended", "brought as foretold"),
    *("writes that went wrong", "recorded", "card formatted", "rot", "rot behind the cache"),
    *("edit", "cut", "delete", "rename", "put back", "object rots", "object deleted"),
    *("unplugged", "plugged in", "bucket shut", "bucket opened"),
    *("lost", "retired", "replaced", "found"),
    *("time passes", "clock jumps back", "clock set right"),
)


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_the_program_agrees_with_the_model(
    tmp_path: Path, credentials: None, one_loader: None, at_once: None
) -> None:
    with told_in(tmp_path):
        tell_until(STEPS, SEED)
    assert TALLY["steps"] >= STEPS
    if TALLY["steps"] >= LONG:
        assert {what: TALLY[what] for what in TRIED if TALLY[what] < 10} == {}
        assert TALLY["gap foretold"] > 2 * TALLY["gap open"]
        assert TALLY["verdict foretold"] > 2 * TALLY["verdict open"]
