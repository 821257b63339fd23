"""A fresh boat yard for every story."""

from pathlib import Path

import pytest

from tests.stories.yard import Yard


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)
