"""Fixtures ``fs`` (makes file systems) and ``yard`` (asks for devices of their own).

Use with ``pytest_plugins = ["tests.real.main_job_fixtures"]`` in a test module.
"""

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.real.loopdev import LoopFs, loop_fs
from tests.real.main_job_parts import Fs
from tests.stories.typed import DISTINCT, yard_of_today
from tests.stories.yard import Yard


@pytest.fixture
def fs() -> Iterator[Fs]:
    """Makes file systems; all gone afterwards."""
    with ExitStack() as stack:

        def make(kind: str, size_mib: int = 160) -> LoopFs:
            return stack.enter_context(loop_fs(kind, size_mib))

        yield make


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return yard_of_today(tmp_path, DISTINCT)
